"""The report as PDF by typst (the `report` extra): a sober A4 or Letter document with our own font inside."""

from __future__ import annotations

import tempfile
from importlib import resources
from pathlib import Path
from typing import Literal

from earthward.errors import InputError
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
    printable,
)

Paper = Literal["a4", "letter"]
FONT = "Source Sans Pro"

_HEADER = """[
    #block(width: 100%, fill: warn, inset: (x: 7pt, y: 4pt))[
      #text(size: 8.5pt, fill: white)[#text(weight: 600, tracking: 1pt, {stamp}) #h(6pt) {text}]
    ]
  ]"""


def available() -> bool:
    """Is typst installed?"""
    try:
        import typst  # noqa: F401
    except ImportError:
        return False
    return True


def to_pdf(document: Document, paper: Paper = "a4") -> bytes:
    """The PDF's bytes. Raises InputError if typst is not installed."""
    try:
        import typst
    except ImportError:
        raise InputError("the PDF needs the package typst: install it with pip install 'earthward[report]'") from None
    bundled = resources.files("earthward.report").joinpath("fonts")
    with tempfile.TemporaryDirectory(prefix="earthward-report-") as folder, resources.as_file(bundled) as fonts:
        source = Path(folder) / "report.typ"
        source.write_text(to_typst(document, paper, Path(folder)), encoding="utf-8")
        compiled = typst.compile(str(source), root=folder, font_paths=[str(fonts)])
    if not isinstance(compiled, bytes):
        raise TypeError("typst gave no single document")
    return compiled


def _preamble() -> str:
    return resources.files("earthward.report").joinpath("report.typ").read_text(encoding="utf-8")


def to_typst(document: Document, paper: Paper, folder: Path) -> str:
    """Typst source; drawings and pictures are written into `folder`."""
    header = "none"
    if document.stamp:
        header = _HEADER.replace("{stamp}", _string(document.stamp)).replace(
            "{text}", "#" + _string(document.stamp_text)
        )
    parts = [
        _preamble()
        .replace("{title}", _string(document.title))
        .replace("{paper}", _string("a4" if paper == "a4" else "us-letter"))
        .replace("{top}", "24mm" if document.stamp else "18mm")
        .replace("{header}", header)
        .replace("{footer}", f"[#{_string(document.footer)}]"),
        f"#text(size: 21pt, weight: 600, {_string(document.title)})",
        f"#v(-0.6em)\n#text(size: 11.5pt, fill: soft, {_string(document.subtitle)})",
        "#v(-0.2em)\n#line(length: 100%, stroke: 2pt + accent)",
    ]
    facts = [(k, v) for k, v in document.facts if v]
    if facts:
        cells = ", ".join(f"[#text(fill: soft, {_string(k)}) #h(4pt) #{_string(v)}]" for k, v in facts)
        parts.append(f"#grid(columns: (1fr, 1fr), column-gutter: 10pt, row-gutter: 5pt, {cells})")
    parts += [_block(block, n, folder) for n, block in enumerate(document.blocks)]
    return "\n\n".join(parts) + "\n"


def _block(block: Block, number: int, folder: Path) -> str:
    match block:
        case Heading(text, level):
            return f"#heading(level: {level}, {_string(text)})"
        case Paragraph(text, "lead"):
            return f"#text(size: 11.5pt, {_string(text)})"
        case Paragraph(text, "small"):
            # What is said about a table stays with it.
            return f"#block(sticky: true, small({_string(text)}))"
        case Paragraph(text, "caution"):
            return f"#caution({_string(text)})"
        case Paragraph(text, _):
            return f"#{_string(text)}"
        case Bullets(items):
            return "#list(" + ", ".join(f"[#{_string(i)}]" for i in items) + ")"
        case KeyFigures(items):
            cells = ", ".join(f"key({_string(i.label)}, {_string(i.value)}, {_string(i.detail)})" for i in items)
            return f"#grid(columns: ({'1fr, ' * min(4, len(items))}), rows: auto, gutter: 6pt, {cells})"
        case Table():
            return _table(block)
        case Figure(svg, caption, alt, width):
            name = f"figure{number}.svg"
            (folder / name).write_text(svg, encoding="utf-8")
            # A caption stays with its drawing.
            image = f"#image({_string(name)}, width: {100 * width:.0f}%, alt: {_string(alt or caption)})"
            return f"#block(breakable: false)[{image}\n#v(-0.3em)\n#small({_string(caption)})]"
        case Picture(data, kind, caption):
            name = f"picture{number}.{kind}"
            (folder / name).write_bytes(data)
            return f"#block(breakable: false)[#image({_string(name)}, width: 50%)\n#small({_string(caption)})]"
        case NewPage():
            return "#pagebreak(weak: true)"


def _table(table: Table) -> str:
    widths = table.widths or [0.0] * len(table.head)
    columns = ", ".join("auto" if w == 0 else f"{w}fr" for w in widths)
    align = ", ".join("right + top" if a == "r" else "left + top" for a in table.align)
    head = ", ".join(f"text(weight: 600, {_string(h)})" for h in table.head)
    top = f"table.header({head}, table.hline(stroke: 1pt + ink))," if any(table.head) else ""
    cells = ", ".join(_string(cell) for row in table.rows for cell in row)
    size = "7.8pt" if table.small else "9pt"
    caption = f"#small({_string(table.caption)})\n#v(-0.4em)\n" if table.caption else ""
    # A short table stays on one page.
    wrap = "#block(breakable: false, width: 100%)" if len(table.rows) <= 10 else "#"
    return (
        f'{caption}{wrap}[\n#set text(size: {size}, number-width: "tabular", hyphenate: false)\n'
        "#set par(leading: 0.45em)\n"
        f"#table(columns: ({columns},), align: ({align},), stroke: none, inset: (x: 3.5pt, y: 2.8pt),\n"
        f"  {top}\n  {cells + ',' if cells else ''}\n"
        "  table.hline(stroke: 0.5pt + line-grey))\n]"
    )


def _string(text: str) -> str:
    """A typst string literal."""
    escaped = printable(text).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
