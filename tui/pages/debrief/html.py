"""The debrief as one HTML file that needs nothing else and asks nobody for anything."""

from __future__ import annotations

from tui.pages.debrief.content import PERHAPS, Behinds, Debrief, Figure, Grid, Items, Log, Tiles


def as_html(debrief: Debrief) -> str:
    """Return the page. Whatever comes from a case is escaped by the template engine."""
    import jinja2  # noqa: PLC0415  (only where a page is made)

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("tui.pages.debrief", "."),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.tests["tiles"] = lambda part: isinstance(part, Tiles)
    environment.tests["grid"] = lambda part: isinstance(part, Grid)
    environment.tests["figure"] = lambda part: isinstance(part, Figure)
    environment.tests["items"] = lambda part: isinstance(part, Items)
    environment.tests["behinds"] = lambda part: isinstance(part, Behinds)
    environment.tests["log"] = lambda part: isinstance(part, Log)
    template = environment.get_template("debrief.html.jinja")
    return template.render(debrief=debrief, perhaps=PERHAPS)
