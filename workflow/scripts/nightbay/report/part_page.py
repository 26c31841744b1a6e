"""Renders the pages that show parts, with the modules that put a part's numbers into words and drawings.

The day board shows no part: a process that makes it, and a night has several, needs no more than page.py imports.
"""

from collections.abc import Mapping
from typing import Any

from nightbay.report import axle_sizes, chart, feature_words, fitness_for_use, frame_ways, load_sizes, page
from nightbay.report.drawing import Drawing


def render(template: str, **values: Any) -> str:
    """The HTML of a template in workflow/report/ as :func:`page.render` makes it."""
    return page.render(
        template,
        axle_sizes=axle_sizes,
        load_sizes=load_sizes,
        feature_words=feature_words,
        frame_ways=frame_ways,
        Row=chart.Row,
        dots=chart.dots,
        widths=_widths,
        not_covered=lambda name, network, state: fitness_for_use.causes_not_covered(name, page.plain(network), state),
        **values,
    )


def _widths(views: Mapping[str, Drawing], name: str) -> str:
    """Widths of a drawing as CSS: beside others, two by two in a row, and alone on a phone; all have one scale."""
    wide = [drawing.wide_mm for drawing in views.values()]
    row = max(a + b for a, b in zip(wide, wide[1:], strict=False)) if len(wide) > 1 else 1.6 * wide[0]
    own = views[name].wide_mm
    return f"--beside:calc((100% - 1.3rem)*{own / row:.4f});--alone:calc((100% - 1.3rem)*{own / max(wide):.4f})"
