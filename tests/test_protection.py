"""Fuses guard their wires: no ready bike has a wire that burns before the fuse in front of it blows.

What a wire stands for good: a single thin-walled one of 0.5 mm2 11 A, 0.75 mm2 14 A, 1 mm2 16.5 A, 1.5 mm2
21 A, 2.5 mm2 29 A, 4 mm2 39 A (loom practice, from memory); no fuse above the weakest wire behind it.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml
from shipped import KNOWLEDGE, opened

from diagnose.catalogue.compose import compose_bike
from diagnose.catalogue.protection import hazard, stands, unguarded


@pytest.mark.parametrize("bike", sorted(opened().library.bike_files))
def test_no_ready_bike_has_a_wire_that_burns_before_its_fuse_blows(bike: str) -> None:
    spec = compose_bike(opened().library, bike)
    assert [hazard(spec, u) for u in unguarded(spec)] == []


@pytest.mark.parametrize(
    ("area", "amps"), [(0.5, 11), (0.75, 14), (1, 16.5), (1.5, 21), (2.5, 29), (4, 39), (16, 128)]
)
def test_what_a_wire_stands_for_good(area: float, amps: float) -> None:
    assert stands(area) == pytest.approx(amps)


def test_a_thin_wire_or_a_bigger_fuse_is_told_as_far_as_that_fuse_feeds(tmp_path: Path) -> None:
    """Through plugs, splices and switches, and no further than the next fuse or a consumer."""
    data = yaml.safe_load((KNOWLEDGE / "bikes" / "road_four.yaml").read_text(encoding="utf-8"))
    data["bike"] = "changed"
    data.setdefault("override", {})
    data["override"]["lights_fuse"] = {
        "values": {"link.rating": {"value": "25 A", "source": "estimate", "why": "x"}}
    }
    data["override"]["rear_brake_wire"] = {**data["override"].get("rear_brake_wire", {}), "area": "0.35 mm2"}
    file = tmp_path / "changed.yaml"
    file.write_text(yaml.safe_dump(data), encoding="utf-8")
    spec = compose_bike(opened().library, file)
    found = {u.wire: u for u in unguarded(spec)}
    assert {"low_wire", "high_wire", "tail_feed", "rear_brake_wire"} <= set(found)
    assert found["low_wire"].fuse == "lights_fuse" and found["rear_brake_wire"].fuse == "signals_fuse"
    assert not {"main_feed", "key_feed", "relay_cable", "headlamp_ground", "horn_return"} & set(found)
    assert "25 A through" in hazard(spec, found["low_wire"])
