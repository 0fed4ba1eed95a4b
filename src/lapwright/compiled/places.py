"""Where the values of a program stand between its parts."""

from __future__ import annotations

from dataclasses import dataclass, field

from lapwright.compiled.reduce import Steps


@dataclass
class Places:
    """Where values stand between parts.

    Attributes
    ----------
    part
        Part in which a step is done.
    last
        Last part that needs it.
    slot
        Place in the scratch area of a value that a later part needs; ``slots`` is their number.
    alike
        Place in the scratch area of a value that is the same at every point.
    """

    part: dict[int, int] = field(default_factory=dict)
    last: dict[int, int] = field(default_factory=dict)
    slot: dict[int, int] = field(default_factory=dict)
    slots: int = 0
    alike: dict[int, int] = field(default_factory=dict)

    @property
    def slots_at(self) -> int:
        """Where the slots begin in the scratch area, behind what is the same at every point [bytes]."""
        return -(-8 * len(self.alike) // 64) * 64


def deal_places(steps: Steps, parts: list[list[int]]) -> Places:
    """Deal out the scratch area; places are used again once a value is no longer needed."""
    places = Places()
    for number, part in enumerate(parts):
        places.part.update(dict.fromkeys(part, number))
    for k, number in places.part.items():
        for source in steps.sources(k):
            places.last[source] = number
    for _, _, k in steps.outputs:
        number = places.part.get(k, len(parts) - 1)
        places.last[k] = max(places.last.get(k, 0), number)
    # Constants stand there too: a part reads them from memory anyway, and so with the shortest instructions.
    read = set(places.last)
    wanted = [k for k, alike in enumerate(steps.alike) if alike and (k in read or steps.names[k] != "const")]
    places.alike = {k: i for i, k in enumerate(wanted)}
    free: list[int] = []
    ends: dict[int, list[int]] = {}
    for number, part in enumerate(parts):
        free += ends.pop(number - 1, [])
        for k in part:
            # An input is simply read again.
            if places.last.get(k, number) > number and steps.names[k] != "input":
                if not free:
                    free.append(places.slots)
                    places.slots += 1
                places.slot[k] = free.pop()
                ends.setdefault(places.last[k], []).append(places.slot[k])
    return places
