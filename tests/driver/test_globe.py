"""Latitude and longitude as metres, against the ellipsoid's radii of curvature and the PROJ library."""

import numpy as np
import pyproj
import pytest

from lapwright.driver.globe import FLATTENING, SEMI_MAJOR, east_north

SQUARED = FLATTENING * (2.0 - FLATTENING)


@pytest.mark.parametrize("degrees", [0.0, 17.0, 45.0, -52.0, 80.0])
def test_a_small_step_is_the_angle_times_the_radius_of_curvature(degrees):
    # Meridian radius a (1 - e2) / (1 - e2 sin2)^1.5 and prime-vertical radius a / (1 - e2 sin2)^0.5 (J. P. Snyder, Map
    # Projections: A Working Manual, USGS Professional Paper 1395 (1987), equations 4-18 and 4-20).
    lat, step = np.radians(degrees), 1e-5
    root = np.sqrt(1.0 - SQUARED * np.sin(lat) ** 2)
    meridian, normal = SEMI_MAJOR * (1.0 - SQUARED) / root**3, SEMI_MAJOR / root
    x, y = east_north(np.array([lat, lat + step, lat]), np.array([0.3, 0.3, 0.3 + step]))
    assert y[1] == pytest.approx(meridian * step, rel=1e-5)
    assert x[2] == pytest.approx(normal * np.cos(lat) * step, rel=1e-8)
    assert abs(x[1]) < 1e-6 and abs(y[2]) < 1e-2


def test_published_length_of_a_degree_at_45_degrees():
    # Snyder, table 8 (WGS 84 agrees to the metre): a degree of latitude at 45 degrees is 111.132 km, of longitude 78.847 km
    # (values from memory).
    x, y = east_north(np.radians([45.0, 45.005, 45.0]), np.radians([10.0, 10.0, 10.01]))
    assert y[1] * 200.0 == pytest.approx(111_132.0, abs=10.0)
    assert x[2] * 100.0 == pytest.approx(78_847.0, abs=10.0)


@pytest.mark.parametrize("origin", [(47.0, -24.0), (-33.0, 179.999), (70.0, -179.999), (0.0, 0.0)])
def test_against_proj(origin):
    # PROJ's geocentric and topocentric operations (EPSG methods 9602 and 9837).
    lat, lon = origin
    random = np.random.default_rng(3)
    lats = np.concatenate([[lat], lat + random.uniform(-0.03, 0.03, 50)])
    lons = np.concatenate([[lon], lon + random.uniform(-0.03, 0.03, 50)])
    wrapped = (lons + 180.0) % 360.0 - 180.0
    proj = pyproj.Transformer.from_pipeline(
        f"+proj=pipeline +step +proj=cart +ellps=WGS84 +step +proj=topocentric +ellps=WGS84 +lat_0={lat} +lon_0={lon} +h_0=0"
    )
    east, north, _ = proj.transform(wrapped, lats, np.zeros(51))
    x, y = east_north(np.radians(lats), np.radians(wrapped))
    assert np.allclose(x, east, atol=1e-6)
    assert np.allclose(y, north, atol=1e-6)


def test_distances_are_those_on_the_ellipsoid():
    # Geodesics of PROJ (C. F. F. Karney, J. Geodesy 87 (2013) 43).
    lats, lons = np.array([47.0, 47.02, 46.99]), np.array([-24.0, -23.98, -24.03])
    x, y = east_north(np.radians(lats), np.radians(lons))
    for k in (1, 2):
        distance = pyproj.Geod(ellps="WGS84").inv(lons[0], lats[0], lons[k], lats[k])[2]
        assert np.hypot(x[k], y[k]) == pytest.approx(distance, abs=0.002)
