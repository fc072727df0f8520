"""What pictures of several kinds are held to."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import pytest
from matplotlib.figure import Figure
from matplotlib.text import Text


@pytest.fixture
def assert_apart() -> Callable[[Figure, Sequence[Text]], None]:
    """Check that no text of a drawn picture overlaps another or leaves the picture."""

    def check(figure: Figure, texts: Sequence[Text]) -> None:
        boxes = [(t.get_text(), t.get_window_extent()) for t in texts if t.get_text().strip()]
        assert boxes
        for (text, box), (other_text, other) in itertools.combinations(boxes, 2):
            assert not box.overlaps(other), (text, other_text)
        for text, box in boxes:
            assert box.x0 >= 0.0, text
            assert box.x1 <= figure.bbox.x1, text
            assert box.y0 >= 0.0, text
            assert box.y1 <= figure.bbox.y1, text

    return check
