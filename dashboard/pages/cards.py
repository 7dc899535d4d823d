"""The answers a drive's page leads with: a figure with its interval, the sentence, what it rests on, the moment."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from dash import html

from amptally.analysis.protection.fuse import FuseResult
from amptally.analysis.report.answers import Answer, charge_answer, fuse_answer, receiver_answer, sag_answer
from amptally.analysis.report.build import Report
from amptally.analysis.results.estimate import Estimate
from amptally.analysis.wording.formatting import full, interval, number, short
from amptally.analysis.wording.results import basis
from amptally.dashboard.address import DriveAddress
from amptally.dashboard.pages.parts import QUIET, Child, plain

MARKS = {"plain": "○", "note": "○", "caution": "▲", "danger": "◆", "unknown": "?"}
"""A shape for each tone and severity: it shows where colours do not."""
TONES = {"plain": "measured", "caution": "caution", "danger": "danger", "unknown": "not decided"}
VERDICTS = {
    "past": "past the band",
    "inside": "inside the band",
    "near": "near the band",
    "below": "below the band",
    "unknown": "not decided",
}
_BEFORE_UNIT = re.compile(r"(?<=\d) (?=(?:A|V|s|min|h|Wh|Ah|W|m|mΩ|×|%)(?:\W|$))")
BAND_FROM, BAND_TO = 62.0, 86.0
"""Where on its strip the band lies, in percent of the width."""


@dataclass(frozen=True, slots=True)
class Card:
    """One answer made ready to be shown."""

    title: str
    answer: Answer
    head: Estimate
    """The figure that stands out."""
    head_words: str
    """What it is."""
    rests_on: tuple[tuple[str, Estimate], ...]
    tag: str
    """The tone in words."""
    strip: float | None = None
    """Place of the load on the fuse's strip, in percent."""


def cards_of(report: Report) -> list[Card]:
    """Fuses first, the tightest of them at the top, as the report has them."""
    found = [
        _fuse_card(report, place, fuse)
        for place, fuse in sorted(
            report.fuses.items(),
            key=lambda item: math.inf if item[1].margin.value is None else item[1].margin.value,
        )
    ]
    sag = report.sag
    by_sag = sag.worst_sag_v.value is not None
    answer = sag_answer(report)
    rests = (("worst sag", sag.worst_sag_v), ("rest voltage", sag.rest_voltage_v), ("least voltage", sag.min_voltage_v))
    found.append(
        Card(
            "Battery sag",
            answer,
            sag.worst_sag_v if by_sag else sag.min_voltage_v,
            "below rest voltage" if by_sag else "least voltage",
            rests,
            TONES[answer.tone],
        )
    )
    receiver = receiver_answer(report)
    if receiver is not None:
        least = sag.receiver_min_v
        rested = (("least of the supply", least),)
        found.append(Card("Receiver supply", receiver, least, "at its lowest", rested, TONES[receiver.tone]))
    found.append(_charge_card(report))
    return found


def _fuse_card(report: Report, place: str, fuse: FuseResult) -> Card:
    answer = fuse_answer(report, place, fuse)
    rating = f", {fuse.rating_a:g} A" if fuse.rating_a else ""
    rests = (("margin to earliest opening", fuse.margin), ("margin to latest opening", fuse.margin_latest))
    return Card(
        f"{place.capitalize()} fuse{rating}",
        answer,
        fuse.margin,
        "margin to its earliest opening",
        rests,
        VERDICTS[fuse.verdict],
        strip_place(fuse.margin.value, fuse.margin_latest.value),
    )


def _charge_card(report: Report) -> Card:
    answer = charge_answer(report)
    laps, runtime = report.laps_per_charge, report.charge.remaining.runtime_s
    by_laps = laps.value is not None
    rests = (
        ("laps per full charge", laps),
        ("laps left", report.laps_remaining),
        ("runtime left", runtime),
        ("charge left", report.charge.remaining.charge_ah),
    )
    return Card(
        "Charge",
        answer,
        laps if by_laps else report.charge.remaining.charge_ah,
        "laps on a full charge" if by_laps else "left at this load",
        rests,
        TONES[answer.tone],
    )


def strip_place(margin: float | None, margin_latest: float | None) -> float | None:
    """Where the load lies between nothing, the band in which the fuse may open, and past it, in percent.

    Below the band on a logarithmic scale from a tenth of the limit; inside it by the share of the way, in logarithms,
    from the earliest to the latest opening; past it up to twice the latest limit.
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
    sentence = held_together(plain(answer.text.split(": ", 1)[-1]))
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
            [html.Span(short(card.head), className="headline"), html.Span(card.head_words, className="unit")],
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
                html.Details([html.Summary("What this rests on"), html.Ul([_rest(*item) for item in card.rests_on])]),
            ],
            className="card-foot",
        ),
    ]
    return html.Article([part for part in body if part is not None], className=f"card {answer.tone}")


def held_together(text: str) -> str:
    """A number stays on one line with its unit."""
    return _BEFORE_UNIT.sub("\u00a0", text)


def interval_line(head: Estimate) -> str:
    """What is known of the interval, in one line under the figure; decided by the estimate's own numbers and terms."""
    side = {"estimate": "", "at_least": "lower bound", "at_most": "upper bound"}[head.bound]
    undeclared = any(term.u is None for term in head.terms)
    has_width = any(end is not None and end != head.value for end in (head.low, head.high))
    shown = interval(head)
    if shown:
        width, side = f"95 %: {shown}", ""  # "from" and "to" say which side is open
    elif undeclared:
        width = ""  # a sensor of unknown error has no narrow interval
    else:
        width = "95 %: narrower than the digits shown" if has_width else "no interval is known"
    return "; ".join(filter(None, (side, width, "sensor error not declared" if undeclared else "")))


def _rest(name: str, value: Estimate) -> html.Li:
    rests = f" · {rested}" if (rested := basis(value)) else ""
    return html.Li([html.B(f"{name}: "), plain(f"{full(value)}{rests}")])


def _strip(place: float) -> html.Div:
    """A strip with three zones and a pin where the load lies; the sentence below says the same in words."""
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
    return moment_link("Show the moment", of, answer.at_s, answer.window_s or 0.0, address, run_id)


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
    """A link that brings a moment into view with some time around it, or the stretch up to `until_s` without any.

    It is a true address, so that it can be copied or opened aside.
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
