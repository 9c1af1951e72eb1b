"""Pieces of the page that several of its blocks use."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from html import escape

from ..errors import InputError
from .png import png_size
from .svg import minus

CAUTION = "\N{WARNING SIGN}\N{VARIATION SELECTOR-15}"
MARKS = {"clear": "\N{CHECK MARK}", "tight": CAUTION, "touches": "\N{MULTIPLICATION X}"}


def verdict(kind: str, words: str) -> str:
    """A table cell with mark and words; ``kind`` is "clear", "tight" or "touches"."""
    return f'<td class="verdict {escape(kind)}">{MARKS[kind]} {escape(words)}</td>'


def block(head: str, body: str) -> str:
    """A part of a variant's card; nothing where there is nothing to tell."""
    return f'<section class="block"><h4>{head}</h4>{body}</section>' if body else ""


def table(kind: str, heads: Iterable[str], rows: str) -> str:
    """Heads that begin with ``#`` stand over figures."""
    cells = "".join(f'<th class="n">{h[1:]}</th>' if h.startswith("#") else f"<th>{h}</th>" for h in heads)
    return f'<table class="{kind}"><thead><tr>{cells}</tr></thead><tbody>{rows}</tbody></table>'


def figures(*texts: str) -> str:
    """Table cells with figures, escaped and with true minus signs."""
    return "".join(f'<td class="n">{minus(text)}</td>' for text in texts)


def stacked(band: str) -> str:
    """Band text "value (low to high)" with the range under the value."""
    value, _, span = minus(band).partition(" ")
    return f"<b>{value}</b><small>{span.strip('()')}</small>" if span else "\N{EN DASH}"


def captioned(figure_markup: str, sentence: str) -> str:
    return f"<figure>{figure_markup}<figcaption>{escape(sentence)}</figcaption></figure>"


def embedded(picture: bytes, words: str, caption: str) -> str:
    """A PNG file's bytes as a figure.

    Raises:
        InputError: it is no PNG file.
    """
    size = png_size(picture)
    if size is None:
        raise InputError(f"The picture “{words}” is no PNG file; render it again.")
    width, height = size
    data = base64.b64encode(picture).decode("ascii")
    return (
        f'<figure class="view"><svg viewBox="0 0 {width} {height}" role="img" aria-label="{escape(words)}">'
        f'<image width="{width}" height="{height}" href="data:image/png;base64,{data}"/></svg>'
        f"<figcaption>{escape(caption)}</figcaption></figure>"
    )
