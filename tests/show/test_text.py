from __future__ import annotations

import unicodedata

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.show.palette import PAPER
from coverage_lab.show.rows import blank
from coverage_lab.show.text import BODY, Style, clean, fit, width_px, wrap, write

STYLES = st.sampled_from([BODY, Style(13), Style(30, 500), Style(56)])


def ink(sheet):
    """Rows and columns that are not paper."""
    return np.nonzero((sheet != PAPER).any(axis=2))


@settings(deadline=None, max_examples=60)
@given(st.text(max_size=80), STYLES, st.integers(0, 400), st.sampled_from(["left", "right", "centre"]))
def test_written_text_stays_in_its_room(text, style, room_px, align):
    sheet = blank(120, 1000)
    left = {"left": 300, "right": 300 - room_px, "centre": 300 - room_px // 2}[align]
    wide = write(sheet, text, (300, 70), style, align, room_px)
    _, col = ink(sheet)
    assert wide <= room_px
    if len(col):
        over = 1 + style.size_px // 16  # a j reaches beyond its advance
        assert col.min() >= left - over
        assert col.max() <= left + room_px + over


@settings(deadline=None, max_examples=40)
@given(st.text(max_size=200), STYLES, st.integers(40, 500), st.integers(1, 5))
def test_wrapped_lines_are_few_and_narrow(text, style, room_px, most):
    lines = wrap(text, style, room_px, most)
    assert 1 <= len(lines) <= most
    assert all(width_px(line, style) <= room_px for line in lines)


def test_wrapping_loses_no_word_that_has_room():
    text = "one trail is clipped and its edge is taken just under the clip"
    assert " ".join(wrap(text, BODY, 150, 9)) == text


def test_cut_text_says_so_and_keeps_its_beginning():
    cut = fit("a dresser with a very long name", BODY, 100)
    assert cut.endswith("…")
    assert "a dresser with a very long name".startswith(cut[:-1])
    assert fit("short", BODY, 100) == "short"


def test_composed_and_decomposed_accents_read_the_same():
    name = "Prüfraum nördlich"
    assert clean(unicodedata.normalize("NFD", name)) == name


@pytest.mark.parametrize("broken", ["a\nb", "a\tb", "a\x00b", "a\u200bb"])
def test_control_characters_become_spaces(broken):
    assert clean(broken) == "a b"


def test_a_name_that_is_no_unicode_is_still_written():
    assert write(blank(30, 200), "caf\udce9", (0, 20), BODY) > 0


@pytest.mark.parametrize("sign", list("±×²³–—°µ·äöüÄÖÜßéåøñ≤−…0123456789%"))
def test_the_face_has_every_sign_we_print(sign):
    """What the face lacks it prints as a question mark, so a sign it has looks like none."""
    drawn, asked = blank(40, 60), blank(40, 60)
    write(drawn, sign, (10, 30), Style(24))
    write(asked, "?", (10, 30), Style(24))
    assert len(ink(drawn)[0])
    assert not np.array_equal(drawn, asked)


def test_figures_have_one_width():
    assert len({width_px(figure * 4, BODY) for figure in "0123456789"}) == 1
