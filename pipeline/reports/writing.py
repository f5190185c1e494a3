"""What a template prints: every `{{ … }}` goes through `shown`, which knows figures, instants, links and pictures, and
escapes all else. A page's text is nothing but text, whatever registers and logs hold.
"""

from __future__ import annotations

from collections.abc import Sequence, Set
from functools import cache, lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from jinja2 import Environment, FunctionLoader, StrictUndefined, Undefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from pipeline.reports.charts import chart_json
from pipeline.reports.figures import Figure, Instant, Link, Picture
from pipeline.reports.page import Page
from pipeline.reports.svg import printable
from pipeline.reports.tables import sort_key
from schemas.times import us_to_datetime

if TYPE_CHECKING:
    from collections.abc import Mapping

# Scripts and styles of the folder alone; nothing from elsewhere, no frame, no form. Under file:// Chromium takes 'self'
# for files as well. Bokeh's script writes style elements of its own into each chart, so that styles may be inline;
# a page's own text is always escaped, so that none of it becomes one.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'"
)


@cache
def environment() -> Environment:
    """Jinja as all pages use it."""
    made = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_finalize,
        loader=FunctionLoader(lambda name: own(f"templates/{name}")),
    )
    made.policies["json.dumps_kwargs"] = {"allow_nan": False, "separators": (",", ":"), "ensure_ascii": False}
    made.filters["bare"] = _bare
    made.filters["sort_key"] = sort_key
    made.filters["chart_json"] = chart_json
    made.tests["known"] = _known
    return made


def page_html(page: Page, common: Mapping[str, Any]) -> str:
    """The text of a page. `common`: what `base.html.j2` shows, with `known`, the paths of all pages there are."""
    template = environment().get_template(page.template)
    return template.render({**common, **page.shown, "page": page, "root": page.root, "policy": POLICY})


def own(name: str) -> str:
    """One of our own files beside this module."""
    return (files("pipeline.reports") / name).read_text(encoding="utf-8")


def shown(thing: Any, known: Set[str], root: str, zone: ZoneInfo, *, bare: bool = False) -> Markup:
    """A thing as it stands in a page. `bare`: without the unit, which the head of the column says."""
    if isinstance(thing, Markup):
        return thing
    if thing is None:
        return Markup('<span class="none" aria-label="none">\N{EN DASH}</span>')
    if isinstance(thing, str):
        return escape(printable(thing))
    if isinstance(thing, Figure):
        return _figure(thing, known, root, bare=bare)
    if isinstance(thing, Instant):
        return _instant(thing, zone)
    if isinstance(thing, Link):
        return _link(thing.path, escape(printable(thing.text)), thing.title, known, root)
    if isinstance(thing, Picture):
        return Markup(thing.svg)
    if isinstance(thing, Sequence):
        return Markup(" ").join(shown(one, known, root, zone, bare=bare) for one in thing)
    return escape(thing)


# Figures are most of what a page holds, and `Markup.format` parses its text anew for each: here each piece is escaped
# by hand, and what comes again and again is kept.
_LEAST = '<span title="at least: what measured it reached its end">≥\N{NO-BREAK SPACE}</span>'


@lru_cache(maxsize=1 << 14)
def _safe(words: str) -> str:
    return str(escape(printable(words)))


def _figure(figure: Figure, known: Set[str], root: str, *, bare: bool) -> Markup:
    title = _safe(f"from {figure.trace.words}")
    if figure.value is None:
        return Markup(f'<span class="unknown" title="{title}">{_safe(figure.why)}</span>')
    digits = "" if figure.digits is None else figure.digits
    unit = "" if bare or not figure.unit else f'\N{NO-BREAK SPACE}<span class="unit">{_safe(figure.unit)}</span>'
    measured_in = _safe(figure.unit if figure.value_unit is None else figure.value_unit)
    least = _LEAST if figure.at_least else ""
    made = Markup(
        f'{least}<data class="fig" value="{escape(figure.exact)}" data-unit="{measured_in}" data-digits="{digits}" '
        f'title="{title}">{escape(figure.text)}</data>{unit}'
    )
    path = figure.path or figure.trace.path
    return _link(path, made, "", known, root) if figure.path else made


def _link(path: str, inside: Markup, title: str, known: Set[str], root: str) -> Markup:
    """A link, if the page was made; else what stands in it."""
    page, _, anchor = path.partition("#")
    if page and page not in known:
        return inside
    href = f"{root}{page}" + (f"#{anchor}" if anchor else "")
    if not page:
        href = f"#{anchor}"
    return Markup('<a href="{}"{}>{}</a>').format(
        href, Markup(' title="{}"').format(printable(title)) if title else "", inside
    )


def _instant(instant: Instant, zone: ZoneInfo) -> Markup:
    at = us_to_datetime(instant.at_us)
    utc, local = at.strftime("%Y-%m-%d %H:%M:%S"), at.astimezone(zone)
    part = f".{at.microsecond:06d}"[: instant.digits + 1] if instant.digits else ""
    offset = local.strftime("%z")
    told = f"{local.strftime('%Y-%m-%d %H:%M:%S')}{part} {offset[:3]}:{offset[3:5]}"
    return Markup('<time datetime="{}" data-utc="{}" data-local="{}">{}</time>').format(
        instant.at, utc + part, told, utc + part
    )


@pass_context
def _finalize(context: Context, thing: Any) -> Markup | Undefined:
    if isinstance(thing, Undefined):
        return thing  # says what is missing
    return shown(thing, context["known"], context["root"], context["zone"])


@pass_context
def _bare(context: Context, thing: Any) -> Markup:
    return shown(thing, context["known"], context["root"], context["zone"], bare=True)


@pass_context
def _known(context: Context, path: str) -> bool:
    return path.partition("#")[0] in context["known"]
