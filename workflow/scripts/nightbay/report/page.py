"""Renders the pages from their templates in workflow/report/."""

from collections.abc import Callable, Mapping
from typing import Any

import jinja2
import markupsafe

from nightbay.core import language, text_format
from nightbay.core.paths import TEMPLATES
from nightbay.core.version import version
from nightbay.report import axle_sizes, chart, feature_words, fitness_for_use, frame_ways, load_sizes, result_words
from nightbay.report.drawing import Drawing


def render(template: str, **values: Any) -> str:
    """The HTML of a template in workflow/report/, in the language in use; a missing value reads ``not measured``."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        undefined=jinja2.ChainableUndefined,
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "number": _defined(text_format.number),
        "shortest": _defined(text_format.shortest),
        "mm": _defined(text_format.mm),
        "area": _defined(text_format.area),
        "share": _defined(text_format.share),
        "size": _defined(text_format.size),
        "listing": text_format.listing,
        "plain": _plain,
        "stage_sentence": language.stage_sentence,
        "result_words": result_words.shown,
        "list_name": result_words.list_name,
    }
    environment.globals |= {
        "plus_minus": lambda value, uncertainty, *least: text_format.plus_minus(
            _plain(value), _plain(uncertainty), *least
        ),
        "plural": text_format.plural,
        "widths": _widths,
        "axle_sizes": axle_sizes,
        "load_sizes": load_sizes,
        "feature_words": feature_words,
        "dots": chart.dots,
        "frame_ways": frame_ways,
        "Row": chart.Row,
        "not_measured": text_format.not_measured(),
        "say": language.say,
        "say_html": _say_html,
        "language_code": language.current().code,
        "not_covered": lambda name, network, state: fitness_for_use.causes_not_covered(name, _plain(network), state),
        "nightbay_version": version(),
    }
    return environment.get_template(template).render(**values)


def _say_html(sentence: str, **values: Any) -> markupsafe.Markup:
    """A sentence with markup of its own; its values have theirs escaped."""
    return markupsafe.Markup(language.say(sentence)).format(**values)


def _widths(views: Mapping[str, Drawing], name: str) -> str:
    """Widths of a drawing as CSS: beside others, two by two in a row, and alone on a phone; all have one scale."""
    wide = [drawing.wide_mm for drawing in views.values()]
    row = max(a + b for a, b in zip(wide, wide[1:], strict=False)) if len(wide) > 1 else 1.6 * wide[0]
    own = views[name].wide_mm
    return f"--beside:calc((100% - 1.3rem)*{own / row:.4f});--alone:calc((100% - 1.3rem)*{own / max(wide):.4f})"


def _plain(value: Any) -> Any:
    return None if isinstance(value, jinja2.Undefined) else value


def _defined(function: Callable[..., str]) -> Callable[..., str]:
    return lambda value, *arguments, **options: function(_plain(value), *arguments, **options)
