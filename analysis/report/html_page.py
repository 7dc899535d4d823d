"""The report as one self-contained HTML file: no script, nothing fetched.

The first page and the pictures print on two sheets of A4; every figure is folded away below them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from pathlib import Path

from amptally.analysis.errors import CannotWriteError
from amptally.analysis.report.build import Report
from amptally.analysis.report.first_page import Line, first_page
from amptally.analysis.report.pictures import Picture, pictures
from amptally.analysis.report.text_page import compose, printable
from amptally.analysis.wording.labels import CAUTIONS

_CSS = """
:root { color-scheme: light dark; --ink: #1d2327; --paper: #fbfaf7; --soft: #5b646b; --line: #d8d4cb; --mark: #a33b20; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #e6e3dc; --paper: #1b1e20; --soft: #a5adb2; --line: #3a4045; --mark: #f08a6a; }
}
body { margin: 0 auto; max-width: 60rem; padding: 1.5rem 1rem; background: var(--paper); color: var(--ink);
  font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.35rem; margin: 0 0 .5rem; overflow-wrap: anywhere; }
h2 { font-size: 1.05rem; margin: 1.6rem 0 .4rem; border-bottom: 1px solid var(--line); }
p { margin: .35rem 0; overflow-wrap: anywhere; }
.danger, .caution { border-left: 4px solid var(--mark); padding-left: .6rem; }
.danger { font-weight: 650; }
.note, .unknown { color: var(--soft); }
dl { display: grid; grid-template-columns: minmax(8rem, 14rem) 1fr; gap: .15rem 1rem; margin: 0; }
dt { color: var(--soft); }
dd { margin: 0; overflow-wrap: anywhere; }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
th, td { padding: .15rem .7rem .15rem 0; text-align: right; }
th { color: var(--soft); font-weight: 500; }
.wide { overflow-x: auto; }
.glance { grid-template-columns: 9.5rem 1fr; margin: .5rem 0; }
.glance dt, .glance dd { padding: .1rem 0; }
.glance dt { color: var(--ink); font-weight: 600; }
.glance dt.danger, .glance dt.caution { color: var(--mark); }
.glance dd.danger, .glance dd.caution { border: 0; padding-left: 0; }
figure { margin: 1rem 0; break-inside: avoid; }
figure svg { width: 100%; height: auto; background: #fffdf8; border-radius: 4px; }
figcaption { color: var(--soft); font-size: .9rem; }
summary { cursor: pointer; margin: 1.5rem 0 .5rem; font-weight: 600; }
@media (max-width: 30rem) { dl { grid-template-columns: 1fr; } dd { margin-bottom: .4rem; } }
@media print {
  :root { --ink: #000; --paper: #fff; --soft: #444; --line: #bbb; --mark: #8a2610; }
  body { max-width: none; padding: 0; font-size: 9.5pt; line-height: 1.35; } h2 { break-after: avoid; }
  details { display: none; } .pictures { break-before: page; }
  figure { margin: 0 0 .4rem; } figure h2 { margin: .4rem 0 .2rem; } figure svg { background: none; }
}
@page { size: A4; margin: 14mm; }
"""


def _text(text: str) -> str:
    return escape(printable(text))


class HtmlPage:
    """Collects the body; what came from a file is escaped and can steer neither page nor reading direction."""

    def __init__(self) -> None:
        self.parts: list[str] = []
        self.name = ""

    def title(self, text: str) -> None:
        self.name = text
        self.parts.append(f"<h1>{_text(text)}</h1>")

    def head(self, text: str) -> None:
        self.parts.append(f"<h2>{_text(text)}</h2>")

    def paragraph(self, text: str, style: str = "plain", lead: str = "  ") -> None:
        del lead  # indentation is the style sheet's business here
        self.parts.append(f'<p class="{style}">{_text(text)}</p>')

    def rows(self, rows: Iterable[tuple[str, str]]) -> None:
        cells = "".join(f"<dt>{_text(name)}</dt><dd>{_text(value)}</dd>" for name, value in rows)
        self.parts.append(f"<dl>{cells}</dl>")

    def table(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        head = "".join(f"<th>{_text(cell)}</th>" for cell in heads)
        body = "".join("<tr>" + "".join(f"<td>{_text(cell)}</td>" for cell in row) + "</tr>" for row in rows)
        self.parts.append(f'<div class="wide"><table><tr>{head}</tr>{body}</table></div>')

    def columns(self, heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
        self.table(heads, rows)

    def glance(self, lines: Iterable[Line]) -> None:
        """Entries of the first page."""
        cells = "".join(
            f'<dt class="{line.tone}">{_text(line.label)}</dt><dd class="{line.tone}">'
            f"{_text(f'{line.text} {line.more}'.strip())}</dd>"
            for line in lines
        )
        self.parts.append(f'<dl class="glance">{cells}</dl>')

    def drawn(self, all_of_them: Sequence[Picture]) -> None:
        """Pictures with their captions."""
        figures = (
            f'<figure role="img" aria-label="{escape(each.words)}"><h2>{escape(each.title)}</h2>{each.svg}'
            f"<figcaption>{escape(each.words)}</figcaption></figure>"
            for each in all_of_them
        )
        self.parts.append(f'<div class="pictures">{"".join(figures)}</div>')

    def document(self) -> str:
        """The whole file."""
        policy = "default-src 'none'; style-src 'unsafe-inline'"
        return (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
            '<meta name="viewport" content="width=device-width, initial-scale=1">'
            f"<title>{_text(self.name)}</title><style>{_CSS}</style></head>\n<body>\n"
            + "\n".join(self.parts)
            + "\n</body></html>\n"
        )


def sheet(report: Report) -> HtmlPage:
    """The first page, the pictures, and every figure folded away."""
    page, first = HtmlPage(), first_page(report)
    page.title(printable(first.title))
    page.paragraph(printable(first.measured))
    for lines in first.groups.values():
        page.glance(lines)
    if first.missing:
        page.glance([Line("Not given", "; ".join(first.missing) + ".")])
    for text in (first.brackets, *CAUTIONS):
        page.paragraph(text, "note")
    page.drawn(pictures(report))
    page.parts.append("<details><summary>Every figure</summary>")
    every = HtmlPage()
    compose(every, report)
    page.parts += [*every.parts, "</details>"]
    return page


def write_sheet(path: Path, report: Report) -> None:
    """Write the report as HTML. Raises CannotWriteError; an existing file is not overwritten."""
    page = sheet(report)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(page.document())
    except FileExistsError as error:
        raise CannotWriteError(
            f"{path} exists already and is not overwritten. Name another file with --html."
        ) from error
    except OSError as error:
        raise CannotWriteError(f"Cannot write {path}: {error.strerror}. Name another file with --html.") from error
