"""How does a report become one page for a browser, that needs nothing else?

Drawings are part of the file; it has no script, and fetches nothing.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable
from html import escape

from kerfbeat.present import ink
from kerfbeat.present.report_content import Facts, Grid, Plot, Points, Report, Section, Words
from kerfbeat.present.report_words import FOOT
from kerfbeat.present.text import harmless

__all__ = ["html_bytes"]

WIDTH_MM, SCALE_MM, EDGE_MM, LABEL_MM = 177.0, 11.0, 5.0, 7.0
STYLE = f"""
body {{ color: {ink.INK}; background: #ffffff; font: .94rem/1.45 "DejaVu Sans", Verdana, Geneva, sans-serif;
  max-width: 52rem; margin: 2rem auto; padding: 0 1rem; }}
header {{ border-bottom: 2px solid {ink.INK}; padding-bottom: .6rem; }}
header p, footer {{ font-size: .85rem; margin: .2rem 0; }}
h1 {{ font-size: 1.6rem; margin: 0 0 .3rem; }}
h2 {{ font-size: 1.3rem; margin: 3rem 0 0; border-top: 1px solid {ink.INK}; padding-top: 1rem; }}
h3 {{ font-size: 1.05rem; margin: 1.8rem 0 .4rem; }}
p {{ margin: .5rem 0; }}
p.verdict {{ border-left: 4px solid {ink.INK}; padding-left: .7rem; font-size: 1.05rem; }}
table {{ border-collapse: collapse; margin: .7rem 0; font-size: .87rem; }}
th, td {{ text-align: left; vertical-align: top; padding: .18rem .9rem .18rem 0; }}
th {{ border-bottom: 1px solid {ink.INK}; }}
th.number, td.number {{ text-align: right; white-space: nowrap; font-variant-numeric: tabular-nums; }}
.wide {{ overflow-x: auto; }}
dl {{ display: grid; grid-template-columns: minmax(8rem, 24%) 1fr; gap: .25rem 1rem;
  margin: .6rem 0; font-size: .93rem; }}
dt {{ font-weight: normal; }}
dd {{ margin: 0; }}
ul {{ margin: .3rem 0 .8rem; padding-left: 1.2rem; }}
figure {{ margin: 1rem 0; }}
figure img {{ width: 100%; height: auto; }}
figcaption {{ font-size: .8rem; }}
footer {{ border-top: 2px solid {ink.INK}; margin-top: 3rem; padding-top: .6rem; }}
@media print {{ html {{ font-size: 10.5px; }} body {{ margin: 0; max-width: none; }} .wide {{ overflow: visible; }}
  h2 {{ break-before: page; }}
  h3 {{ break-after: avoid; }} th, td {{ padding-right: .5rem; }} figure, tr {{ break-inside: avoid; }} }}
"""


def html_bytes(report: Report) -> bytes:
    """The report as one HTML file."""
    title = _text(f"{report.title}: {report.machine}")
    logs = "".join(f"<p>{_text(head.words)}</p>\n" for head in report.logs)
    parts = [
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
        '<meta http-equiv="Content-Security-Policy" ',
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:\">\n",
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
        f"<title>{title}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n",
        f"<header>\n<h1>{_text(report.title)}</h1>\n<p><strong>{_text(report.machine)}</strong></p>\n{logs}</header>\n",
        "<main>\n",
    ]
    for chapter in report.chapters:
        if chapter.title:
            parts.append(f"<h2>{_text(chapter.title)}</h2>\n")
        parts += [_section(section) for section in chapter.sections]
    parts.append(f"</main>\n<footer>Made by kerfbeat. {_text(FOOT)}</footer>\n</body>\n</html>\n")
    return "".join(parts).encode("utf-8", errors="replace")


def _text(text: str) -> str:
    """A text that came from anywhere, as HTML shows it and nothing more."""
    return escape(harmless(text), quote=True)


def _section(section: Section) -> str:
    blocks = "".join(WRITERS[type(block)](block) for block in section.blocks)
    return f"<section>\n<h3>{_text(section.title)}</h3>\n{blocks}</section>\n"


def _words(block: Words) -> str:
    text = _text(block.text)
    if block.weight == "plain":
        return f"<p>{text}</p>\n"
    return f'<p class="{block.weight}"><strong>{text}</strong></p>\n'


def _points(block: Points) -> str:
    lead = f"<p>{_text(block.lead)}:</p>\n" if block.lead else ""
    return f"{lead}<ul>\n" + "".join(f"<li>{_text(line)}</li>\n" for line in block.lines) + "</ul>\n"


def _facts(block: Facts) -> str:
    rows = "".join(f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>\n" for name, value in block.rows)
    return f"<dl>\n{rows}</dl>\n"


def _grid(block: Grid) -> str:
    def cell(tag: str, place: int, text: str) -> str:
        number = ' class="number"' if place >= block.left else ""
        return f"<{tag}{number}>{_text(text)}</{tag}>"

    def row(tag: str, cells: tuple[str, ...]) -> str:
        return "<tr>" + "".join(cell(tag, place, text) for place, text in enumerate(cells)) + "</tr>\n"

    body = "".join(row("td", cells) for cells in block.rows)
    return (
        f'<div class="wide"><table>\n<thead>{row("th", block.headings)}</thead>\n<tbody>\n{body}</tbody>\n'
        "</table></div>\n"
    )


def _plot(block: Plot) -> str:
    inner_mm = sum(block.heights_mm) + block.gap_mm * (len(block.heights_mm) - 1)
    height_mm = inner_mm + SCALE_MM + EDGE_MM
    with ink.page(WIDTH_MM, height_mm) as figure:
        panels, top_mm = [], height_mm - EDGE_MM
        for tall_mm in block.heights_mm:
            left_mm = block.left_mm + LABEL_MM  # paper has a margin for the scale's words
            wide_mm = WIDTH_MM - left_mm - block.right_mm
            box = (left_mm / WIDTH_MM, (top_mm - tall_mm) / height_mm, wide_mm / WIDTH_MM, tall_mm / height_mm)
            panels.append(figure.add_axes(box))
            top_mm -= tall_mm + block.gap_mm
        block.draw(panels)
        drawing = b64encode(ink.drawn([figure], ".svg", title=block.name)).decode("ascii")
    return (
        f'<figure>\n<img alt="{_text(block.name)}" src="data:image/svg+xml;base64,{drawing}">\n'
        f"<figcaption>{_text(block.caption)}</figcaption>\n</figure>\n"
    )


WRITERS: dict[type, Callable[..., str]] = {Words: _words, Points: _points, Facts: _facts, Grid: _grid, Plot: _plot}
