"""The table of setup numbers against the keys of the vehicle file, and cars with a number changed."""

from dataclasses import replace

import pytest
from sample_cars import PLAIN, shipped

from lapwright.errors import InputError
from lapwright.inputs.overrides import find_spot, vehicle_numbers
from lapwright.inputs.vehicle_keys import VEHICLE
from lapwright.study.make import BalanceOptions, bounded_numbers, four_wheels
from lapwright.study.numbers import NUMBERS, number_called, numbers_of
from lapwright.vehicle.parameters import FrictionCircle

CARS = [shipped(name) for name in ("cup-coupe", "club-monoposto", "rally-hatch", "touring-saloon")]
NOT_ASKED = {
    "tyres.front.reference_load_N", "tyres.rear.reference_load_N",  # where the other numbers of the tyre hold
    "driver.grip_margin",  # not the car's
}  # fmt: skip


def test_keys_fields_and_units_are_those_of_the_vehicle_file():
    known = vehicle_numbers()
    for number in NUMBERS:
        if number.factor:
            assert find_spot(VEHICLE, f"{number.key}.1") is not None
            continue
        entry = known[number.key]
        assert (number.field, number.unit) == (entry.attribute, entry.unit)
        assert number.si == pytest.approx(entry.si, rel=1e-12)


def test_what_is_allowed_is_what_the_vehicle_file_allows():
    known = vehicle_numbers()
    for number in NUMBERS:
        if not number.factor:
            kind = known[number.key].kind
            assert (number.low, number.high) == (kind.low, kind.high), number.key
            for value in (kind.low, kind.high, 0.5 * (kind.low + kind.high), kind.low - 0.1, kind.high + 0.1):
                assert number.allows(value) == kind.allows(value), (number.key, value)
    gear = number_called(CARS[0], "driveline.gear_ratios.3")
    kind = find_spot(VEHICLE, gear.key).kind
    assert (gear.low, gear.high) == (kind.low, kind.high)


def test_bounds_that_no_car_may_have_are_refused():
    wanted = (
        ("brakes.front_share", (0.5, 1.4)),
        ("chassis.cg_height_m", (-0.1, 0.4)),
        ("chassis.front_mass_share", (0.0, 0.5)),
    )
    with pytest.raises(InputError) as caught:
        bounded_numbers(CARS[0], wanted)
    assert [fault.message for fault in caught.value.faults] == [
        "a bound of brakes.front_share is 1.4: 0 to 1 is allowed",
        "a bound of chassis.cg_height_m is -0.1: 0 to 3 is allowed",
        "a bound of chassis.front_mass_share is 0: above 0 to below 1 is allowed",
    ]


def test_no_number_of_the_vehicle_file_is_forgotten():
    assert set(vehicle_numbers()) - {number.key for number in NUMBERS} == NOT_ASKED


@pytest.mark.parametrize("car", CARS, ids=lambda car: car.name)
def test_a_changed_number_is_changed_and_nothing_else(car):
    for number in numbers_of(car):
        value = number.value(car)
        other = number.changed(car, value + number.step)
        if not number.factor:
            assert number.value(other) == pytest.approx(value + number.step, rel=1e-12)
        for rest in numbers_of(car):
            if rest.key != number.key and not rest.factor:
                assert rest.value(other) == rest.value(car)
        assert other != car


def test_a_whole_table_is_multiplied():
    coupe = CARS[0]
    number = number_called(coupe, "driveline.engine_torque_Nm")
    more = number.changed(coupe, 1.02)
    assert number.value(coupe) == 1.0
    assert more.driveline.engine_torque == pytest.approx([1.02 * t for t in coupe.driveline.engine_torque])
    assert replace(more.driveline, engine_torque=coupe.driveline.engine_torque) == coupe.driveline


def test_gears_are_counted_from_one():
    coupe = CARS[0]
    number = number_called(coupe, "driveline.gear_ratios.3")
    assert number.value(coupe) == coupe.driveline.gear_ratios[2]
    assert number.changed(coupe, 1.8).driveline.gear_ratios[2] == 1.8


def test_a_car_lacks_what_it_does_not_have():
    keys = {car.name: {number.key for number in numbers_of(car)} for car in CARS}
    for car in CARS:
        mine = keys[car.name]
        assert ("driveline.power_kW" in mine) == (car.driveline.power is not None)
        assert ("driveline.gear_ratios.1" in mine) == bool(car.driveline.gear_ratios)
        assert ("driveline.front_torque_share" in mine) == (car.driveline.driven == "all")
        assert ("driveline.differential.preload_Nm" in mine) == (car.driveline.differential.type == "preload")


def test_an_unknown_number_is_told_with_its_neighbours():
    with pytest.raises(InputError, match=r"did you mean brakes\.front_share"):
        number_called(PLAIN, "brakes.front_shar")
    with pytest.raises(InputError, match=r"known: brakes\.front_share, "):
        number_called(PLAIN, "qqqqqq")


def test_bounds_that_nobody_gave_are_possible_values():
    known = vehicle_numbers()
    for car in CARS:
        wanted = tuple((number.key, None) for number in numbers_of(car))
        for choice in bounded_numbers(car, wanted):
            assert choice.low <= choice.number.value(car) <= choice.high
            assert choice.low < choice.high
            if choice.number.key in known and not choice.number.factor:
                kind = known[choice.number.key].kind
                assert kind.allows(choice.low) and kind.allows(choice.high), choice


def test_options_without_numbers_search_for_nothing():
    assert bounded_numbers(PLAIN, BalanceOptions().best) == ()


def test_a_point_has_no_axles():
    with pytest.raises(InputError, match="no axles"):
        four_wheels(FrictionCircle("point", 1.2))
