"""Renders the pages from their templates in workflow/report/."""

from collections.abc import Callable
from typing import Any

import jinja2
import markupsafe

from nightbay.core import language, text_format
from nightbay.core.paths import TEMPLATES
from nightbay.core.version import version
from nightbay.report import result_words


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
        "plain": plain,
        "stage_sentence": language.stage_sentence,
        "result_words": result_words.shown,
        "list_name": result_words.list_name,
    }
    environment.globals |= {
        "plus_minus": lambda value, uncertainty, *least: text_format.plus_minus(
            plain(value), plain(uncertainty), *least
        ),
        "plural": text_format.plural,
        "not_measured": text_format.not_measured(),
        "say": language.say,
        "say_html": _say_html,
        "language_code": language.current().code,
        "nightbay_version": version(),
    }
    return environment.get_template(template).render(**values)


def _say_html(sentence: str, **values: Any) -> markupsafe.Markup:
    """A sentence with markup of its own; its values have theirs escaped."""
    return markupsafe.Markup(language.say(sentence)).format(**values)


def plain(value: Any) -> Any:
    """What a template hands over; None for a missing value."""
    return None if isinstance(value, jinja2.Undefined) else value


def _defined(function: Callable[..., str]) -> Callable[..., str]:
    return lambda value, *arguments, **options: function(plain(value), *arguments, **options)
