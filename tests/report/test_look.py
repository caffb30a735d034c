"""Colours: told apart by every kind of colour vision, visible on paper and on dark screens; one drawing for both."""

import re
from itertools import combinations

import numpy as np
import pytest

from wearlore.answers import FamilyLives, ModeSummary
from wearlore.estimate import Estimate
from wearlore.lives import Evidence
from wearlore.report import charts
from wearlore.report.charts.look import COLOUR, DARK, INK, PAPER, SERIES, SOFT
from wearlore.units import Units

# Machado, Oliveira & Fernandes (2009), IEEE TVCG 15(6), Table 1, severity 1.0: linear RGB seen by a dichromat
VISION = {
    "trichromat": np.eye(3),
    "protanope": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deuteranope": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritanope": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def linear(colour):
    channel = np.array([int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)])
    return np.where(channel <= 0.04045, channel / 12.92, ((channel + 0.055) / 1.055) ** 2.4)


def lab(rgb):
    """CIE 1976 L*a*b* of linear sRGB, white D65 (IEC 61966-2-1)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ np.clip(rgb, 0, 1)
    t = xyz / [0.9505, 1.0, 1.089]
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def contrast(one, other):
    """WCAG 2.1 contrast ratio."""
    a, b = sorted(0.05 + linear(c) @ [0.2126, 0.7152, 0.0722] for c in (one, other))
    return b / a


@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("look", ["light", "dark"])
def test_the_first_four_series_differ_for_every_kind_of_colour_vision(vision, look):
    colours = [DARK[c] if look == "dark" else c for c in SERIES[:4]]
    seen = {c: lab(np.asarray(VISION[vision]) @ linear(c)) for c in colours}
    nearest = min(combinations(colours, 2), key=lambda pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]))
    assert np.linalg.norm(seen[nearest[0]] - seen[nearest[1]]) > 15, nearest


@pytest.mark.parametrize("look", ["light", "dark"])
def test_lines_have_a_contrast_of_3_and_words_of_4_5(look):
    def shown(colour):
        return DARK[colour] if look == "dark" else colour

    assert all(contrast(shown(c), shown(PAPER)) >= 3 for c in SERIES)
    assert all(contrast(shown(c), shown(PAPER)) >= 4.5 for c in (INK, SOFT))


def band(mode, b10, record=0.4):
    estimates = [Estimate(b10 * k, 0.9 * b10 * k, 1.1 * b10 * k) for k in (1, 2, 3)]
    return ModeSummary(mode, mode.title(), "pump", "cooling", "evident", "nuisance", *estimates, record, Evidence())


@pytest.fixture
def family():
    unknown = ModeSummary("gone", "Gone", "pump", "cooling", "evident", "nuisance", None, None, None, 0.0, Evidence())
    return FamilyLives("Family", 10, (band("leak", 40e3), band("crack", 90e3, 1.0), unknown))


def datasets(chart):
    return list(chart.to_dict()["datasets"].values())


def test_bands_stand_in_the_readers_units_soonest_first(family):
    rows = datasets(charts.wear_bands(family, Units("miles")))[0]
    assert [row["name"] for row in rows] == ["Leak", "Crack"]
    assert [row["x"] for row in rows] == pytest.approx([40e3 / 1.609344, 90e3 / 1.609344])
    assert [row["b90"] for row in rows] == pytest.approx([120e3 / 1.609344, 270e3 / 1.609344])
    assert [row["record"] for row in rows] == [0.4, 1.0]


def test_this_vehicle_stands_on_the_axis_however_far_it_has_run(family):
    chart = charts.wear_bands(family, Units(), odometer=250e3, vehicle="V1").to_dict()
    line = [layer for layer in chart["hconcat"][0]["layer"] if layer["mark"]["type"] == "rule"][-1]
    assert chart["datasets"][line["data"]["name"]] == [{"x": 250e3}]
    assert line["encoding"]["x"]["scale"]["domain"][1] >= 250e3
    assert "V1 at 250,000 km" in chart["title"]["subtitle"][-1]


def test_nothing_known_is_no_chart():
    with pytest.raises(ValueError, match="at least one mode"):
        charts.wear_bands(FamilyLives("F", 0, ()), Units())


def test_one_drawing_serves_light_and_dark(family, tmp_path):
    chart = charts.wear_bands(family, Units(), odometer=50e3)
    svg = charts.to_svg(chart)
    drawn = {c.lower() for c in re.findall(r'(?:fill|stroke)="(#\w+)"', svg)}
    assert drawn
    assert drawn <= set(DARK), "a colour without its dark twin"
    assert all(f'="{light}" i]{{fill:{dark}}}' in svg for light, dark in DARK.items())
    for look in ("light", "dark"):
        charts.save(chart, tmp_path / f"{look}.png", look=look)
    assert (tmp_path / "light.png").read_bytes() != (tmp_path / "dark.png").read_bytes()
    assert COLOUR.fullmatch(PAPER.upper())
