"""Alignment against published axial statistics and against the statistics of SciPy and Astropy.

With a baseline of 0 the alignment of a pattern is the larger of the mean resultant lengths of the doubled and of
the fourfold angles, one angle per cell here.
"""

import numpy as np
import pytest
import scipy.stats
from astropy.stats import circmoment
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.measures.pattern import RandomBaseline, measure_pattern
from coverage_lab.room.field import TravelField
from coverage_lab.room.grid import FloorGrid
from tests.scenes import BAR

RAW = RandomBaseline(np.zeros(3), np.zeros(3))

# J. H. Zar, Biostatistical Analysis, 5th ed. 2010, examples 26.2/27.1 (data and r in the tests of the packages
# circstat and pycircstat2) and 26.7 (axial data there; r of the doubled angles recomputed).
ZAR_TREES = [45, 55, 81, 96, 110, 117, 132, 154]
ZAR_AXES = [35, 40, 40, 45, 45, 55, 60, 215, 220, 225, 225, 235, 235, 240, 245]
# S. R. Jammalamadaka and A. SenGupta, Topics in Circular Statistics, 2001, p. 23 (in the tests of Astropy).
JAMMALAMADAKA = [51, 67, 40, 109, 31, 358]
# N. I. Fisher, Statistical Analysis of Circular Data, 1993, set B2: 133 feldspar laths (data of pycircstat2).
FELDSPAR = """
176 162 49 174 174 49 54 63 59 61 66 104 97 58 121 5 178 3 168 0 18 39 140 63 55 170 169 37 152 73 53 176 72 170
113 56 87 161 164 21 50 6 59 140 54 64 56 38 61 143 51 144 148 44 60 98 86 145 38 168 39 134 68 57 129 68 132 82
54 119 131 50 93 160 127 124 65 108 52 61 86 37 132 83 163 58 144 29 80 172 144 138 10 45 137 11 145 103 69 124
54 121 1 39 111 153 13 5 5 107 104 39 133 36 63 4 21 51 30 52 90 143 13 50 109 12 170 5 14 91 132 12 1
"""


def alignment(angles_deg) -> float:
    angle = np.deg2rad(np.asarray(angles_deg, dtype=float))[None, :]
    one, none = np.ones(angle.shape, np.float32), np.zeros(angle.shape, np.float32)
    axis, fourfold = (np.exp(k * 1j * angle).astype(np.complex64) for k in (2, 4))
    grid = FloorGrid(0.0, 0.016, 1, angle.size, 0.016)
    pattern = measure_pattern(TravelField(grid, axis, fourfold, one, one, none, none, one), BAR, RAW)
    assert pattern is not None
    return pattern.alignment


@pytest.mark.parametrize(
    ("angles_deg", "length"),
    [
        (np.array(ZAR_TREES) / 2, 0.8252177),  # halved: directions become axes
        (ZAR_AXES, 0.9484330),  # without doubling the angles cancel to 0.0737909
        (np.array(JAMMALAMADAKA) / 2, 0.8364365),  # book: variance 1 - R = 0.1635635
        ([int(a) for a in FELDSPAR.split()], 0.1585584),  # fourfold; the doubled angles give 0.1186794
    ],
)
def test_published_examples(angles_deg, length):
    assert alignment(angles_deg) == pytest.approx(length, abs=1e-6)


@given(angles_deg=st.lists(st.floats(0, 360), min_size=2, max_size=60))
@settings(max_examples=40, deadline=None)
def test_agrees_with_astropy_and_scipy(angles_deg):
    angle = np.deg2rad(angles_deg)
    lengths = [float(circmoment(angle, p=p)[1]) for p in (2, 4)]
    assert alignment(angles_deg) == pytest.approx(max(lengths), abs=1e-5)
    assert 1 - scipy.stats.circvar(2 * angle) == pytest.approx(lengths[0], abs=1e-9)
