"""The report as one HTML file: no scripts, no fonts, no pictures from elsewhere; it opens offline and prints."""

from __future__ import annotations

import base64
import re
from html import escape
from importlib import resources

from earthward.report.blocks import (
    Block,
    Bullets,
    Document,
    Figure,
    Heading,
    KeyFigures,
    NewPage,
    Paragraph,
    Picture,
    Table,
)


def to_html(document: Document) -> str:
    """The complete file."""
    style = resources.files("earthward.report").joinpath("report.css").read_text(encoding="utf-8")
    body = "\n".join(_block(b) for b in document.blocks)
    facts = "".join(f"<div><dt>{escape(k)}</dt><dd>{escape(v)}</dd></div>" for k, v in document.facts if v)
    stamp = ""
    if document.stamp:
        stamp = f'<div class="stamp"><b>{escape(document.stamp)}</b>{escape(document.stamp_text)}</div>'
    title = escape(document.title) + (f" ({escape(document.stamp)})" if document.stamp else "")
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<style>{style}</style>
</head>
<body>
<main>
{stamp}
<header>
<h1>{escape(document.title)}</h1>
<p>{escape(document.subtitle)}</p>
<dl class="facts">{facts}</dl>
</header>
{body}
<footer>{escape(document.footer)}</footer>
</main>
</body>
</html>
"""


def _block(block: Block) -> str:
    match block:
        case Heading(text, level):
            tag = "h2" if level == 1 else "h3"
            return f"<{tag}>{escape(text)}</{tag}>"
        case Paragraph(text, kind):
            return f'<p class="{kind}">{escape(text)}</p>'
        case Bullets(items):
            return "<ul>" + "".join(f"<li>{escape(i)}</li>" for i in items) + "</ul>"
        case KeyFigures(items):
            cells = "".join(
                f"<div><span>{escape(i.label)}</span><b>{escape(i.value)}</b><span>{escape(i.detail)}</span></div>"
                for i in items
            )
            return f'<div class="key">{cells}</div>'
        case Table():
            return _table(block)
        case Figure(svg, caption, alt, width):
            return (
                f'<figure style="width:{100 * width:.0f}%" role="img" aria-label="{escape(alt or caption)}">'
                f"{inline_svg(svg)}<figcaption>{escape(caption)}</figcaption></figure>"
            )
        case Picture(data, kind, caption):
            mime = "jpeg" if kind == "jpg" else "png"
            source = base64.b64encode(data).decode()
            return (
                f'<figure style="width:50%"><img alt="{escape(caption)}" src="data:image/{mime};base64,{source}">'
                f"<figcaption>{escape(caption)}</figcaption></figure>"
            )
        case NewPage():
            return '<div class="page"></div>'


def _table(table: Table) -> str:
    head = "".join(f'<th class="{a}">{escape(h)}</th>' for h, a in zip(table.head, table.align, strict=True))
    rows = "".join(
        "<tr>" + "".join(f'<td class="{a}">{escape(c)}</td>' for c, a in zip(row, table.align, strict=True)) + "</tr>"
        for row in table.rows
    )
    caption = f"<caption>{escape(table.caption)}</caption>" if table.caption else ""
    size = ' class="small"' if table.small else ""
    top = f"<thead><tr>{head}</tr></thead>" if any(table.head) else ""
    return f'<div class="scroll"><table{size}>{caption}{top}<tbody>{rows}</tbody></table></div>'


def inline_svg(svg: str) -> str:
    """The drawing without its XML declaration, so that it may stand inside HTML."""
    return re.sub(r"^\s*<\?xml[^>]*\?>\s*(<!DOCTYPE[^>]*>\s*)?", "", svg)
