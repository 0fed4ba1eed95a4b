"""What a column of a log is likely to be, told by its title.

Trade words and their common abbreviations in English, German, French, Italian and Spanish (common practice); titles of no
program in particular.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from lapwright.inputs.log_units import UNITS_OF, is_unit, unit_of

EXACT, QUALIFIED, PARTLY = 3, 2, 1
"""How well a title fits: nothing else in it; only words that say where the signal comes from; other words too."""

WORDS: Mapping[str, str] = {
    "time": "time|t|timestamp|elapsed|elapsed time|session time|log time|utc time|seconds|secs|zeit|uhrzeit|zeitstempel|"
    "temps|heure|horodatage|tempo|ora|tiempo|hora",
    "speed": "speed|velocity|vel|v|vx|spd|ground speed|road speed|speed over ground|geschwindigkeit|fahrgeschwindigkeit|"
    "tempo kmh|vitesse|velocita|velocidad|vitesse vehicule|velocita veicolo|speed kmh|speed mph|speed mps",
    "latitude": "latitude|lat|breite|breitengrad|geo breite|latitudine|latitud",
    "longitude": "longitude|lon|lng|long|laenge|lange|laengengrad|langengrad|longitudine|longitud",
    "x": "x|pos x|x pos|position x|x position|east|easting|ost|est|este",
    "y": "y|pos y|y pos|position y|y position|north|northing|nord|norte",
    "distance": "distance|dist|lap distance|odometer|distance driven|strecke|weg|wegstrecke|distanz|rundenstrecke|"
    "distance parcourue|distanza|distancia|percorso",
    "lap": "lap|laps|lap number|lap no|lap nr|lap count|lap counter|runde|rundennummer|rundenzahler|runden nr|tour|"
    "numero de tour|no tour|giro|numero giro|vuelta|numero de vuelta",
    "beacon": "beacon|lap beacon|lap trigger|line trigger|start finish|beacon no",
    "brake": "brake|brakes|brake pedal|brake pos|brake position|brake pedal position|brake switch|brake on|brk|bremse|"
    "bremspedal|bremslicht|brems schalter|frein|pedale de frein|pedale frein|freno|pedale freno|pedal freno|pedal de freno",
    "brake_pressure": "brake pressure|brake press|brake p|brake line pressure|p brake|pbrake|brakepress|brk press|"
    "brk pressure|bremsdruck|druck bremse|pression frein|pression de frein|pression freins|pression de freinage|"
    "pressione freno|pressione freni|presion freno|presion de freno|presion frenos",
    "throttle": "throttle|throttle pos|throttle position|throttle pedal|tps|thr|thr pos|pedal pos|pedal|aps|accelerator|"
    "accelerator pedal|accelerator position|accelerator pedal position|gas|gas pedal|gaspedal|fahrpedal|gaspedalstellung|"
    "fahrpedalstellung|drosselklappe|accelerateur|pedale accelerateur|papillon|acceleratore|pedale acceleratore|farfalla|"
    "acelerador|pedal acelerador|mariposa",
    "steering_wheel": "steering|steer|steering wheel|steering wheel angle|steering angle|steer angle|steering pos|"
    "steering position|hand wheel|hand wheel angle|handwheel|handwheel angle|swa|lenkwinkel|lenkradwinkel|lenkrad|lenkung|"
    "volant|angle volant|angle au volant|angle de volant|sterzo|angolo sterzo|angolo volante|volante|angulo volante|"
    "angulo de volante|direccion",
    "road_wheel": "road wheel|road wheel angle|front wheel angle|wheel angle|wheel steer angle|radeinschlag|radlenkwinkel|"
    "angle de braquage|braquage|angolo ruote|angolo ruota",
    "accel_long": "accel long|long accel|accel longitudinal|longitudinal accel|acc long|long acc|longacc|accel x|acc x|"
    "x accel|x acc|ax|a x|a long|along|g long|long g|longitudinal g|gx|g x|longitudinal acceleration|acceleration x|"
    "acceleration longitudinal|acceleration longitudinale|accel longitudinale|langsbeschleunigung|laengsbeschleunigung|"
    "beschleunigung laengs|beschleunigung langs|accelerazione longitudinale|acc longitudinale|aceleracion longitudinal",
    "accel_lat": "accel lat|lat accel|accel lateral|lateral accel|acc lat|lat acc|latacc|accel y|acc y|y accel|y acc|ay|"
    "a y|a lat|alat|g lat|lat g|lateral g|gy|g y|lateral acceleration|acceleration y|acceleration lateral|"
    "acceleration laterale|querbeschleunigung|beschleunigung quer|accelerazione laterale|acc laterale|aceleracion lateral|"
    "acceleration transversale",
    "yaw_rate": "yaw rate|yaw|yaw velocity|yawrate|gyro z|gyro yaw|gierrate|giergeschwindigkeit|vitesse de lacet|"
    "vitesse lacet|lacet|velocita imbardata|velocita di imbardata|imbardata|velocidad de guinada|guinada",
    "gear": "gear|gear position|gear pos|gear number|current gear|gang|gangstufe|rapport|rapport engage|marcia|marcha",
    "engine_speed": "engine speed|engine rpm|rpm|revs|engine revs|n engine|nmot|drehzahl|motordrehzahl|regime|regime moteur|"
    "giri|giri motore|regime motore|revoluciones|regimen motor|rpm motor",
}
"""Titles of each channel, words parted by blanks, without accents."""

_NEUTRAL = (
    "gps gnss ecu can obd imu ins abs dash logger sensor signal channel value actual vehicle car driver corr corrected "
    "filtered smoothed raw fzg fahrzeug vehicule veicolo vehiculo front vorn avant anteriore delantero f 1 0 data meas "
    "measured pos angle winkel"
)
NEUTRAL = frozenset(_NEUTRAL.split())
"""Words that say where a signal comes from, not what it is."""

_STRANGERS = (
    "temp temperature temperatur voltage volt target limit limiter max min maximum minimum error accuracy status "
    "quality sats satellites delta diff predicted best previous last bias balance torque fuel oil water air boost "
    "slip ratio heading bearing altitude height hdop pdop vdop age count checksum flag mode valid requested demand "
    "setpoint rear hinten arriere posteriore trasero r rl rr fl fr lf lr wheel1 wheel2 tyre tire reifen pneu "
    "calibration offset zero vertical z roll pitch gradient curvature radius power load wear std sigma speedlimit "
    "fault warning sector split remaining reference ref "
)
STRANGERS = frozenset(_STRANGERS.split())
"""Words that say that a column is something else, or of another place of the car."""


SHORT = {
    "acc": "accel", "accn": "accel", "acceleration": "accel", "lateral": "lat", "longitudinal": "long", "position": "pos",
    "pressure": "press",
}  # fmt: skip
"""Words that are written long and short."""


@dataclass(frozen=True)
class Guess:
    """What a title may be: the measure, how well it fits (``EXACT`` ...), and the unit in the title ('' without)."""

    measure: str
    fit: int
    unit: str


_BRACKETS = re.compile(r"\s*(.*?)\s*[\[({<]\s*([^\[\](){}<>]*?)\s*[\])}>]\s*")
_BEHIND = (
    re.compile(r"\s*(.*?\S)\s+(?:/|in)\s+(\S.*?)\s*"),
    re.compile(r"\s*(.*?\S)\s*,\s*(\S.*?)\s*"),
    re.compile(r"\s*([^/]*[^/\s])/(\S.*?)\s*"),
)
"""``speed / km/h`` and ``speed/(km/h)`` (quantity over unit, as ISO 80000-1 heads a column), ``speed in km/h``,
``speed, km/h``."""


def split_title(text: str) -> tuple[str, str]:
    """A title and the unit that stands behind it, in brackets or behind a sign; '' when there is none."""
    found = _BRACKETS.fullmatch(text)
    if found and found.group(1) and (is_unit(found.group(2)) or not found.group(2)):
        return found.group(1).rstrip(" /"), found.group(2)
    for pattern in _BEHIND:
        found = pattern.fullmatch(text)
        if found and _is_measured(found.group(2)):
            return found.group(1), found.group(2)
    return text.strip(), ""


def _is_measured(text: str) -> bool:
    """Whether a text is a unit of any channel that has one: a title may go on in other words and single letters."""
    return any(
        unit_of(measure, text) is not None for measure in UNITS_OF if UNITS_OF[measure][0].name != "count"
    )


def words_of(title: str) -> tuple[str, ...]:
    """Words of a title in lower case: accents gone, parted at signs, at digits and where capitals begin."""
    text = title.replace("ß", "ss")
    text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", text)
    return tuple(SHORT.get(word, word) for word in re.findall(r"[a-z]+|[0-9]+", text.lower()))


@cache
def _phrases() -> dict[str, frozenset[str]]:
    """Titles of each measure, written as one word."""
    return {
        name: frozenset("".join(words_of(phrase)) for phrase in text.split("|"))
        for name, text in WORDS.items()
    }


def guesses(title: str) -> list[Guess]:
    """Everything that a title may be, best first; a unit at its end (``speed_kmh``) is taken off."""
    words = words_of(title)
    found: dict[str, Guess] = {}
    for measure in WORDS:
        for cut in (0, 1, 2):
            tail = title_tail(words, cut, measure)
            if tail is None:
                continue
            fit = _fit(words[: len(words) - cut] if cut else words, measure)
            if fit and (measure not in found or fit > found[measure].fit):
                found[measure] = Guess(measure, fit, tail)
    return sorted(found.values(), key=lambda guess: -guess.fit)


def title_tail(words: tuple[str, ...], cut: int, measure: str) -> str | None:
    """Name of the unit in the last ``cut`` words; '' for none asked; None when those are not a unit of the measure."""
    if cut == 0:
        return "rpm" if measure == "engine_speed" and "rpm" in words else ""
    if len(words) <= cut:
        return None
    tail = words[-cut:]
    for joined in ("".join(tail), "/".join(tail)):
        unit = unit_of(measure, joined) if not joined.isdigit() else None
        if unit is not None and UNITS_OF[measure][0].name != "count":
            return unit.name
    return None


def _fit(words: tuple[str, ...], measure: str) -> int:
    known = _phrases()[measure]
    if "".join(words) in known:
        return EXACT
    rest = [word for word in words if word not in NEUTRAL]
    if rest and "".join(rest) in known:
        return QUALIFIED
    for size in range(len(words), 0, -1):
        for start in range(len(words) - size + 1):
            phrase = "".join(words[start : start + size])
            others = {*words[:start], *words[start + size :]}
            # One letter among other words says nothing.
            if phrase in known and len(phrase) > 2 and not others & STRANGERS:
                return PARTLY
    return 0
