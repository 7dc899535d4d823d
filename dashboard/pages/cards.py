"""The answers that a drive's page leads with: a figure with its interval, the sentence, its basis, the moment."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from dash import html

from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.report.answers import (
    Answer,
    by_margin,
    charge_answer,
    fuse_answer,
    receiver_answer,
    sag_answer,
)
from amptally.analysis.report.build import Report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full, interval_line, number, short
from amptally.analysis.wording.labels import FUSE_VERDICTS, TONES
from amptally.analysis.wording.results import basis
from amptally.dashboard.address import DriveAddress
from amptally.dashboard.pages.parts import QUIET, Child, plain

MARKS = {"plain": "○", "note": "○", "caution": "▲", "danger": "◆", "unknown": "?"}
"""A shape for each tone and severity, so that colours are not needed."""
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:A|V|s|min|h|Wh|Ah|W|m|mΩ|×|%)(?:\W|$))")
BAND_FROM, BAND_TO = 62.0, 86.0
"""Ends of the band on its strip, in percent of the width."""


@dataclass(frozen=True, slots=True)
class Card:
    """One answer, ready to be shown."""

    title: str
    answer: Answer
    head: Estimate
    """The figure that stands out."""
    head_label: str
    """What it is."""
    basis: tuple[tuple[str, Estimate], ...]
    """The figures behind it, by name."""
    tag: str
    """The tone in words."""
    strip: float | None = None
    """Position of the load on the fuse's strip, in percent."""


def cards_of(report: Report) -> list[Card]:
    """Fuses first, the smallest margin at the top."""
    cards = [_fuse_card(report, place, fuse) for place, fuse in by_margin(report)]
    cards.append(_sag_card(report))
    receiver = receiver_answer(report)
    if receiver is not None:
        lowest = report.sag.receiver_min_v
        basis = (("minimum of the supply", lowest),)
        cards.append(Card("Receiver supply", receiver, lowest, "minimum", basis, TONES[receiver.tone]))
    return [*cards, _charge_card(report)]


def _fuse_card(report: Report, place: str, fuse: FuseResult) -> Card:
    rating = f", {fuse.rating_a:g} A" if fuse.rating_a else ""
    return Card(
        f"{place.capitalize()} fuse{rating}",
        fuse_answer(report, place, fuse),
        fuse.margin,
        "margin to its earliest opening",
        (("margin to earliest opening", fuse.margin), ("margin to latest opening", fuse.margin_latest)),
        FUSE_VERDICTS[fuse.verdict],
        strip_place(fuse.margin.value, fuse.margin_latest.value),
    )


def _sag_card(report: Report) -> Card:
    sag, answer = report.sag, sag_answer(report)
    heads = (
        (sag.load_drop_v, "drop under load"),
        (sag.worst_sag_v, "below rest voltage"),
        (sag.min_voltage_v, "minimum voltage"),
    )
    value, name = next((head for head in heads if not head[0].is_refused), heads[-1])
    basis = (
        ("drop under load", sag.load_drop_v),
        ("worst sag", sag.worst_sag_v),
        ("rest voltage", sag.rest_voltage_v),
        ("minimum voltage", sag.min_voltage_v),
    )
    return Card("Battery under load", answer, value, name, basis, TONES[answer.tone])


def _charge_card(report: Report) -> Card:
    answer, laps, left = charge_answer(report), report.laps_per_charge, report.charge.remaining
    by_laps = not laps.is_refused
    return Card(
        "Charge",
        answer,
        laps if by_laps else left.charge_ah,
        "laps on a full charge" if by_laps else "remaining at this load",
        (
            ("laps per full charge", laps),
            ("remaining laps", report.laps_remaining),
            ("remaining runtime", left.runtime_s),
            ("remaining charge", left.charge_ah),
        ),
        TONES[answer.tone],
    )


def strip_place(margin: float | None, margin_latest: float | None) -> float | None:
    """Position of the load below, inside or past the band in which the fuse may open, in percent of the strip.

    Below the band on a logarithmic scale from a tenth of the limit; inside it by its logarithmic position between the
    earliest and the latest opening; past it up to twice the latest limit. None without a margin.
    """
    if margin is None or margin <= 0:
        return None
    if margin >= 1:
        return BAND_FROM * max(0.0, 1 - math.log10(margin))
    if margin_latest is None or margin_latest >= 1:
        latest = max(margin_latest or 1 / margin, 1.0)
        way = -math.log(margin)
        return BAND_FROM + (BAND_TO - BAND_FROM) * way / (way + math.log(latest))
    return BAND_TO + (100 - BAND_TO) * min(1.0, -math.log2(margin_latest))


def show_card(card: Card, address: DriveAddress, run_id: str) -> html.Article:
    """The card on a page."""
    answer = card.answer
    sentence = held_together(plain(answer.sentence))
    body: list[Child] = [
        html.Div(
            [
                html.H3(card.title),
                html.Span(
                    [html.Span(MARKS[answer.tone], className="mark", **QUIET), card.tag],
                    className=f"tag {answer.tone}",
                ),
            ],
            className="card-head",
        ),
        html.P(
            [html.Span(short(card.head), className="headline"), html.Span(card.head_label, className="unit")],
            className="reading",
        )
        if card.head.value is not None
        else None,
        html.P(interval_line(card.head), className="interval") if card.head.value is not None else None,
        _strip(card.strip) if card.strip is not None else None,
        html.P(sentence[:1].upper() + sentence[1:] + ".", className="sentence"),
        html.Div(
            [
                _moment(answer, card.title, address, run_id),
                html.Details([html.Summary("Basis"), html.Ul([_basis_item(*item) for item in card.basis])]),
            ],
            className="card-foot",
        ),
    ]
    return html.Article([part for part in body if part is not None], className=f"card {answer.tone}")


def held_together(text: str) -> str:
    """A number stays on one line with its unit."""
    return _BEFORE_UNIT.sub("\u00a0", text)


def _basis_item(name: str, value: Estimate) -> html.Li:
    rests_on = basis(value)
    return html.Li([html.B(f"{name}: "), plain(full(value) + (f" · {rests_on}" if rests_on else ""))])


def _strip(place: float) -> html.Div:
    """A strip with three zones and a pin at the load; the sentence below says the same in words."""
    zones = (("below", "below"), ("inside", "may open"), ("past", "past"))
    bar = [html.Span(className=f"zone {name}") for name, _ in zones]
    pin = html.Span(className="pin", style={"left": f"{min(max(place, 0.6), 99.4):.1f}%"})
    words = [html.Span(text, className=name) for name, text in zones]
    return html.Div(
        [html.Div([*bar, pin], className="strip"), html.Div(words, className="strip-words")],
        className="strip-box",
        **QUIET,
    )


def _moment(answer: Answer, of: str, address: DriveAddress, run_id: str) -> Child:
    if answer.at_s is None:
        return None
    return moment_link("Show in traces", of, answer.at_s, answer.window_s or 0.0, address, run_id)


def moment_link(
    text: str,
    of: str,
    at_s: float,
    length_s: float,
    address: DriveAddress,
    run_id: str,
    *,
    until_s: float | None = None,
) -> html.A:
    """A link that brings a moment into view with some time around it, or exactly the stretch up to `until_s`.

    It is a real address, so it can be copied or opened in another tab.
    """
    room = max(1.5 * length_s, 1.5)
    see = round(at_s - room, 3), round(at_s + length_s + room, 3)
    if until_s is not None:
        see = round(at_s, 3), round(until_s, 3)
    target = DriveAddress(address.part, see, address.show, address.fuse, address.lap, address.across)
    name = {"type": "moment", "of": of, "from": see[0], "to": see[1]}
    return html.A(text, id=name, href=f"/run/{run_id}{target.query()}", className="moment")


def unit_number(value: float | None, decimals: int) -> str:
    """A table cell."""
    return "–" if value is None else number(value, decimals)
