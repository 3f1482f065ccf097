"""An empty table with its head; the script fills the body."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from dash import html

from plantview.web.attributes import attributes

TIMES: Final = frozenset({"Time", "When", "Since", "From", "Until", "Last answer", "Last sent", "Compared", "Enabled"})
"""Columns of times: their head names the plant's zone, which ``assets/pages.js`` knows."""


def table(name: str, caption: str, columns: Sequence[str]) -> html.Div:
    """Return a table that scrolls inside its box; its body has the id ``name``-rows."""
    head = html.Thead(html.Tr([html.Th(_head(column), scope="col") for column in columns]))
    return html.Div(
        html.Table([html.Caption(caption), head, html.Tbody(id=f"{name}-rows")], id=name),
        className="table-box",
        tabIndex="0",
        role="region",
        **attributes(aria_label=caption),
    )


def empty(words: str, href: str = "", link: str = "") -> html.P:
    """Return what stands in place of a table without rows: why, and what to do next. It follows the table."""
    said: list[Any] = [words, " ", html.A(link, href=href)] if href else [words]
    return html.P(said, className="empty")


def _head(column: str) -> list[Any]:
    return [column, html.Span(className="zone")] if column in TIMES else [column]
