"""The check of the mesh where a wild point of an integration step has no wheel on the road."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lapwright import load_vehicle
from lapwright.problem.lap import EndState, lap_problem
from lapwright.quantities import G
from lapwright.track.build import build_track
from lapwright.track.definition import ElementLine, Station, Straight, TrackDefinition
from lapwright.transcription.mesh import uniform_mesh
from lapwright.transcription.meshcheck import mesh_error
from lapwright.transcription.nlp import transcribe
from lapwright.vehicle.parameters import Differential

FOLDER = Path(__file__).parents[2] / "vehicles"


@pytest.mark.parametrize("kind", ["open", "locked", "viscous", "preload"])
def test_flight_is_no_crash(kind):
    car = load_vehicle(FOLDER / "club-monoposto.yaml")
    differential = Differential(kind, viscosity=50.0, preload=40.0, ramp_drive=0.3, ramp_overrun=0.1)
    aero = replace(car.aero, downforce_area=0.0)
    car = replace(car, aero=aero, driveline=replace(car.driveline, differential=differential))
    width = (Station(0.0, 5.0),)
    heights = tuple(
        Station(at, z) for at, z in ((0.0, 0.0), (50.0, 0.0), (100.0, 20.0), (150.0, 0.0), (200.0, 0.0))
    )
    line = ElementLine((Straight(200.0),))
    track = build_track(TrackDefinition("Jump", False, line, width, width, elevation=heights))
    nlp = transcribe(lap_problem(track, car, EndState(110.0, 0.0)), uniform_mesh(0.0, 200.0, 10.0))
    x = np.zeros(nlp.layout.size)
    model = nlp.problem.model
    for name, value in (("u", 110.0), ("pedal", 1.0)):
        i = model.state_index(name)
        x[nlp.layout.nodes[:, i]] = x[nlp.layout.states[..., i]] = value / model.states[i].scale
    # A crest carries the car down no faster than g: v^2 k > g is flight (mechanics of a circle).
    crest = track.road(np.array([100.0]))
    assert 110.0**2 * crest.omega_y[0] > 10.0 * G
    found = mesh_error(nlp, x, np.zeros(nlp.layout.rows), nlp.parameters)
    assert not np.any(np.isnan(found.lap_time))
    flying = (nlp.mesh.nodes[:-1] < 100.0) & (nlp.mesh.nodes[1:] >= 100.0)
    assert found.total > 0.0 and np.all(np.isfinite(found.lap_time[~flying]))
