"""Just enough SVG, written by hand so that the same picture always has the same bytes."""

from __future__ import annotations

from html import escape


def element(tag: str, content: str = "", /, **attributes: str | float) -> str:
    """One element; `_` in a name stands for `-`; lengths are rounded to a hundredth; empty ones are left out.

    >>> element("rect", x=1.0, stroke_width=0.5)
    '<rect x="1" stroke-width="0.5"/>'
    """
    attribute_text = "".join(
        f' {name.replace("_", "-")}="{_attribute(value)}"'
        for name, value in attributes.items()
        if value != ""
    )
    return f"<{tag}{attribute_text}>{content}</{tag}>" if content else f"<{tag}{attribute_text}/>"


def text(x: float, y: float, words: str, anchor: str = "start", **attributes: str | float) -> str:
    """A piece of lettering."""
    return element("text", escape(words), x=x, y=y, text_anchor=anchor, **attributes)


def path(d: str, stroke: str, width: float, dash: str = "", **attributes: str | float) -> str:
    """A line without a filling."""
    return element(
        "path", d=d, fill="none", stroke=stroke, stroke_width=width, stroke_dasharray=dash, **attributes
    )


def drawing(width: float, height: float, content: str, **attributes: str | float) -> str:
    """A whole file, in points."""
    box = f"0 0 {number(width)} {number(height)}"
    space = "http://www.w3.org/2000/svg"
    return element("svg", content, xmlns=space, width=width, height=height, viewBox=box, **attributes)


def number(value: float) -> str:
    """A coordinate: at most two decimals and no minus zero.

    >>> number(12.5), number(-0.001)
    ('12.5', '0')
    """
    digits = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if digits == "-0" else digits


def _attribute(value: str | float) -> str:
    return escape(value, quote=True) if isinstance(value, str) else number(value)
