from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from coverage_lab.show.tags import TAG_PX, Board

POINTS = st.lists(st.tuples(st.integers(0, 299), st.integers(0, 199)), min_size=1, max_size=40)


@settings(deadline=None, max_examples=50)
@given(POINTS, st.integers(10, 80), st.floats(0, 20))
def test_tags_never_cover_each_other_nor_leave_the_picture(points, wide, round_px):
    board = Board((200, 300, 3))
    count = np.zeros((200, 300), int)
    for point in points:
        box = board.place(np.array(point, float), wide, (5, 20, 50), round_px)
        if box:
            left, top, right, bottom = box
            assert 0 <= left < right <= 300 and 0 <= top < bottom <= 200
            assert (right - left, bottom - top) == (wide, TAG_PX)
            count[top:bottom, left:right] += 1
            board.take(box)
    assert count.max() <= 1


@given(st.floats(0, 40))
def test_a_tag_stands_off_the_thing_it_names(round_px):
    left, top, right, bottom = Board((400, 400)).place(np.array([200.0, 200.0]), 50, (6,), round_px)
    nearest = np.hypot(max(left - 200, 0, 200 - right), max(top - 200, 0, 200 - bottom))
    assert round_px + 4 <= nearest <= round_px + 8


def test_a_full_board_has_no_place():
    board = Board((100, 100))
    board.take_mask(np.full((100, 100), 255, np.uint8))
    assert board.place(np.array([50.0, 50.0]), 20, (5, 20), 0) is None
    assert board.centred(np.array([50.0, 50.0]), 20) is None
