"""Dimension lines beside the piece: parallel to what they measure, apart from each other, off the piece."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from calib.photo.annotate import clear_of
from calib.photo.dimension_lines import place_lines

Floats = NDArray[np.float64]


def off_the_piece(points: Floats) -> NDArray[np.bool_]:
    """A piece of 60 x 20 mm on a mat of 300 x 300 mm."""
    inside = (np.abs(points[:, 0]) < 30) & (np.abs(points[:, 1]) < 10)
    return ~inside & (np.abs(points[:, :2]) < 150).all(axis=1)


spans = st.lists(
    st.tuples(st.floats(-30, 25), st.floats(5, 55), st.booleans()), min_size=1, max_size=8
)


@settings(max_examples=60, deadline=None)
@given(spans)
def test_lines_are_parallel_apart_and_off_the_piece(found: list[tuple[float, float, bool]]) -> None:
    ends = []
    for low, long, swapped in found:
        a, b = np.array([low, 0.0, 6.0]), np.array([min(low + long, 30.0), 0.0, 6.0])
        ends.append((b, a) if swapped else (a, b))
    placed = place_lines(ends, [20.0] * len(ends), off_the_piece)
    lanes = []
    for (a, b), p in zip(ends, placed, strict=True):
        start, stop = p.line
        assert np.allclose((stop - start)[:2], (b - a)[:2])
        assert off_the_piece(np.linspace(start, stop, 9)).all()
        middle, half = (start[0] + stop[0]) / 2, max(abs(stop[0] - start[0]), 20.0) / 2
        lanes.append((start[1], middle - half, middle + half))
    for k, (y, low, high) in enumerate(lanes):
        for other_y, other_low, other_high in lanes[:k]:
            assert abs(y - other_y) > 4 or low > other_high or other_low > high


def test_labels_of_short_lengths_do_not_cross_at_a_corner() -> None:
    """A bracket of two short arms: both labels are longer than what they stand on."""
    ends = [
        (np.array([0.0, 6.0, 5.0]), np.array([12.0, 6.0, 5.0])),
        (np.array([6.0, 0.0, 5.0]), np.array([6.0, 12.0, 5.0])),
    ]

    def off(points: Floats) -> NDArray[np.bool_]:
        x, y = points[:, 0], points[:, 1]
        return ~(
            ((x > 0) & (x < 90) & (y > 0) & (y < 12)) | ((x > 0) & (x < 12) & (y > 0) & (y < 90))
        )

    labels = []
    for p in place_lines(ends, [30.0, 30.0], off):
        a, b = p.line
        along = (b - a) / np.linalg.norm(b - a)
        labels.append((a + b) / 2 + np.linspace(-15, 15, 61)[:, None] * along)
    assert np.linalg.norm(labels[0][:, None] - labels[1][None], axis=-1).min() > 2.0


@given(st.lists(st.tuples(st.floats(0, 300), st.floats(0, 80)), max_size=25))
def test_no_label_lies_on_another(corners: list[tuple[float, float]]) -> None:
    taken: list[tuple[float, float, float, float]] = []
    for x, y in corners:
        down = clear_of(taken, (x, y, x + 90, y + 14))
        taken.append((x, y + down, x + 90, y + 14 + down))
    for k, a in enumerate(taken):
        for b in taken[:k]:
            across = min(a[2], b[2]) - max(a[0], b[0])
            up = min(a[3], b[3]) - max(a[1], b[1])
            assert across <= 0 or up < 0.3


def test_a_length_without_room_is_drawn_on_itself() -> None:
    ends = (np.array([-5.0, 0, 6]), np.array([5.0, 0, 6]))
    (placed,) = place_lines([ends], [20.0], lambda points: np.zeros(len(points), dtype=bool))
    assert placed.line is ends
