"""Writes SVG text: escaped, attributes in the given order, numbers without noise."""

from __future__ import annotations

from xml.sax.saxutils import escape, quoteattr


def number(value: float) -> str:
    """Return a coordinate with at most one decimal."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def element(name: str, content: str = "", /, **attributes: str | float) -> str:
    """Return an element; ``class_`` becomes class, ``data_flow`` becomes data-flow; content is markup."""
    written = "".join(
        f" {key.rstrip('_').replace('_', '-')}={quoteattr(value if isinstance(value, str) else number(value))}"
        for key, value in attributes.items()
        if value != ""
    )
    return f"<{name}{written}>{content}</{name}>" if content else f"<{name}{written}/>"


def group(content: str, /, **attributes: str | float) -> str:
    """Return a ``g`` element."""
    return element("g", content, **attributes)


def title(text: str) -> str:
    """Return the title that a pointer or a screen reader finds on its parent."""
    return element("title", escape(text))


def path(points: list[tuple[float, float]], closed: bool = False) -> str:
    """Return the ``d`` of a path through points."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points) + ("Z" if closed else "")
