"""The ways to run a program, one after the other."""

from __future__ import annotations

from dataclasses import replace

import pytest

from lapwright.compiled import ways
from lapwright.compiled.machine import machine


def without_avx512(features: str) -> str:
    return ",".join(f for f in features.split(",") if "avx512" not in f) + ",-avx512f"


WAYS = {
    "host": lambda host: host,
    "four lanes": lambda host: replace(host, width=4, features=without_avx512(host.features)),
    "two lanes": lambda host: replace(host, width=2),
    "two roundings": lambda host: replace(host, width=2, fused=False),
    "careful": lambda host: replace(host, plain=False),
    "numpy": lambda host: None,
}
"""Variants that the processor at hand can run too."""


@pytest.fixture(params=WAYS)
def way(request, monkeypatch):
    """Run what follows one of the ways; without the store, so that all is translated by the code at hand."""
    monkeypatch.setenv("LAPWRIGHT_CACHE", "off")
    chosen = WAYS[request.param](machine())
    monkeypatch.setattr(ways, "_decided", [(chosen, request.param)])
    return request.param


@pytest.fixture(params=["host", "four lanes", "two lanes", "careful"])
def fused_way(request, monkeypatch):
    """Like ``way``, the ways that have elementary functions of their own."""
    monkeypatch.setenv("LAPWRIGHT_CACHE", "off")
    monkeypatch.setattr(ways, "_decided", [(WAYS[request.param](machine()), request.param)])


@pytest.fixture
def fresh(monkeypatch, tmp_path):
    """Machine code, and a store in a folder of its own."""
    monkeypatch.setenv("LAPWRIGHT_CACHE", str(tmp_path))
    monkeypatch.setattr(ways, "_decided", [(machine(), "host")])
    return tmp_path / "programs"
