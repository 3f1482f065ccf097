"""An empty table with its head; the script fills the body."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html

from plantview.web.attributes import attributes


def table(name: str, caption: str, columns: Sequence[str]) -> html.Div:
    """Return a table that scrolls inside its box; its body has the id ``name``-rows."""
    head = html.Thead(html.Tr([html.Th(column, scope="col") for column in columns]))
    return html.Div(
        html.Table([html.Caption(caption), head, html.Tbody(id=f"{name}-rows")], id=name),
        className="table-box",
        tabIndex="0",
        role="region",
        **attributes(aria_label=caption),
    )
