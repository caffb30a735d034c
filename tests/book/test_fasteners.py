"""Bolts against ISO 898-1 and, as an independent route to the band of K, against VDI 2230."""

from __future__ import annotations

from math import pi, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearlore.book.fasteners import (
    COARSE_PITCH,
    K_LEAST,
    K_MOST,
    STRENGTH,
    Thread,
    proof_load,
    strength,
    thread,
    torque_span,
)
from wearlore.units import NEWTON_METRE_PER, significant

YIELD = {"8.8": 640, "10.9": 940, "12.9": 1100}  # R_p, MPa, as VDI 2230 takes it (check 7.05)
# mean bearing diameter of a hexagon head over a medium hole, mm: (d_w + d_h) / 2 (check 7.05)
BEARING = {6: (8.9 + 6.6) / 2, 8: (11.6 + 9) / 2, 10: (14.6 + 11) / 2, 12: (16.6 + 13.5) / 2, 14: (19.6 + 15.5) / 2}


def vdi_2230(bolt: Thread, property_class: str, friction: float) -> tuple[float, float]:
    """Assembly preload N and torque N·m at 90 % of yield: VDI 2230, formula as in check 7.04."""
    height = sqrt(3) / 2 * bolt.pitch
    pitch_diameter = bolt.diameter - 0.75 * height
    stress_diameter = (pitch_diameter + bolt.diameter - 1.25 * height - height / 6) / 2
    area = pi / 4 * stress_diameter**2
    twist = 1.5 * pitch_diameter / stress_diameter * (bolt.pitch / (pi * pitch_diameter) + 1.155 * friction)
    preload = 0.9 * YIELD[property_class] * area / sqrt(1 + 3 * twist**2)
    arm = 0.16 * bolt.pitch + 0.58 * pitch_diameter * friction + BEARING[int(bolt.diameter)] / 2 * friction
    return preload, preload * arm / 1000


def test_stress_areas_are_those_of_iso_898(reference):  # check 7.01
    rows = [row for row in reference("book_bolts.csv") if row["what"] == "stress_area"]
    assert len(rows) == 6
    for row in rows:
        assert thread(row["size"]).stress_area == pytest.approx(float(row["value"]), abs=0.005)
    tabulated = [significant(thread(row["size"]).stress_area, 3) for row in rows]
    assert tabulated == [14.2, 20.1, 36.6, 58.0, 84.3, 115]


def test_proof_loads_are_those_of_iso_898_and_follow_from_stress_and_area(reference):  # check 7.02
    rows = [row for row in reference("book_bolts.csv") if row["what"] == "proof_load"]
    assert len(rows) == 10
    for row in rows:
        bolt, printed = thread(row["size"]), float(row["value"])
        assert proof_load(bolt, row["class"]) == printed
        nominal_area = significant(bolt.stress_area, 3)  # A_s,nom: as tables print it
        assert nominal_area * strength(row["class"], bolt.diameter)[0] == pytest.approx(printed, rel=0.006)


def test_strengths_are_those_of_iso_898(reference):  # check 7.03
    rows = [row for row in reference("book_bolts.csv") if row["what"] in ("proof_stress", "tensile_strength")]
    assert len(rows) == 14
    for row in rows:
        value = strength(row["class"], thread(row["size"]).diameter)[row["what"] == "tensile_strength"]
        assert value == float(row["value"])


def test_a_pound_force_foot_is_exact():  # check 7.07
    assert NEWTON_METRE_PER["lbf·ft"] == pytest.approx(1.3558179483314004, rel=1e-15)


def test_vdi_2230_as_written_here_gives_the_printed_preloads(reference):  # checks 7.04, 7.05
    for row in reference("book_preloads.csv"):
        preload, torque = vdi_2230(thread(row["size"]), row["class"], float(row["friction"]))
        assert preload / 1000 == pytest.approx(float(row["preload_kN"]), rel=float(row["tolerance"])), row
        if row["torque_Nm"]:
            assert torque == pytest.approx(float(row["torque_Nm"]), rel=float(row["tolerance"])), row


@pytest.mark.parametrize(("friction", "k"), [(0.10, 0.141), (0.12, 0.165), (0.14, 0.188)])
def test_k_of_usual_friction_lies_in_the_band(friction, k):  # check 7.06
    preload, torque = vdi_2230(Thread(8, 1.25), "8.8", friction)
    assert torque / (preload * 0.008) == pytest.approx(k, abs=5e-4)
    assert K_LEAST < k < K_MOST


@pytest.mark.parametrize("then_angle", [False, True])
def test_no_torque_of_vdi_2230_is_called_loose_or_too_much(reference, then_angle):
    for row in reference("book_preloads.csv"):
        for friction in (0.08, 0.10, 0.12, 0.14, 0.16):
            bolt = thread(row["size"])
            loose, most = torque_span(bolt, row["class"], then_angle=then_angle)
            assert loose < vdi_2230(bolt, row["class"], friction)[1] < most


@given(st.sampled_from(sorted(COARSE_PITCH)), st.sampled_from(sorted(STRENGTH)), st.floats(0.1, 1))
def test_a_bolt_carries_less_than_its_shank_and_more_with_a_finer_thread(diameter, property_class, finer):
    coarse, fine = Thread(diameter, COARSE_PITCH[diameter]), Thread(diameter, COARSE_PITCH[diameter] * finer)
    proof, tensile = strength(property_class, diameter)
    shank = pi / 4 * diameter**2
    assert 0 < coarse.stress_area <= fine.stress_area < shank
    assert proof_load(fine, property_class) < proof * shank < tensile * shank
    loose, most = torque_span(fine, property_class, then_angle=False)
    seated, _ = torque_span(fine, property_class, then_angle=True)
    assert 0 < seated < loose < most


@pytest.mark.parametrize(
    ("size", "expected"), [("M8", Thread(8, 1.25)), ("M8x1", Thread(8, 1)), ("M10x1.25", Thread(10, 1.25))]
)
def test_a_size_is_a_thread(size, expected):
    assert thread(size) == expected


@pytest.mark.parametrize("size", ["M9", "M11x1", "M8x1.5", "M6x6", "M8x0", "M800"])
def test_a_size_that_no_standard_thread_has_is_none(size):
    assert thread(size) is None
