"""Pages and pictures of whole runs and of runs that lack something: what can be shown is, the rest says why not."""

from __future__ import annotations

import base64
import dataclasses
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest
from dash.development.base_component import Component

from amptally.analysis.report.build import Report
from amptally.analysis.wording.uncertainty import words_of
from amptally.dashboard.address import DriveAddress, whole
from amptally.dashboard.figures import command as command_figure
from amptally.dashboard.figures import exposure as exposure_figure
from amptally.dashboard.figures import laps as laps_figure
from amptally.dashboard.figures import volts as volts_figure
from amptally.dashboard.figures.lanes import lanes_of, usual_keys
from amptally.dashboard.figures.traces import View, traces_figure
from amptally.dashboard.library import Library, OpenRun
from amptally.dashboard.pages import tables
from amptally.dashboard.pages.cards import cards_of, show_card
from amptally.dashboard.pages.drive import (
    LEAD_FIGURES,
    answer_cards,
    drive_page,
    drive_words,
    figures_part,
    findings_part,
    laps_part,
    lead_figures,
    volts_words,
)
from amptally.dashboard.pages.logbook import logbook_page
from amptally.dashboard.pages.overview import overview_figure
from amptally.dashboard.theme import DARK, LIGHT, Screen
from tests.dashboard.made_runs import CART, lacking, short_drive, write_run_of

NAMES = (
    "whole", "no-voltage", "no-machine", "one-channel", "one-voltage", "no-laps", "no-charge", "3-seconds",
    "60-s-sampling", "one-sample", "two-samples", "a-gap", "no-fuse", "all-null",
)  # fmt: skip


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Library:
    folder = tmp_path_factory.mktemp("runs")
    assert tuple(lacking(folder)) == NAMES
    return Library(folder)


def text_of(component: Any) -> str:
    """Everything that a person would read, in order."""
    if component is None:
        return ""
    if isinstance(component, list | tuple):
        return " ".join(text_of(part) for part in component)
    if isinstance(component, Component):
        return text_of(getattr(component, "children", None))
    return str(component)


def components(component: Any) -> Iterator[Component]:
    if isinstance(component, list | tuple):
        for part in component:
            yield from components(part)
    elif isinstance(component, Component):
        yield component
        yield from components(getattr(component, "children", None))


def check_figure(figure: dict[str, Any]) -> None:
    """plotly's own schema knows every key and value, and the JSON holds no NaN."""
    go.Figure(figure)
    json.dumps(figure, allow_nan=False)


def unpacked(packed: dict[str, str]) -> np.ndarray[Any, np.dtype[Any]]:
    """The numbers of a typed array as it goes to the browser."""
    return np.frombuffer(base64.b64decode(packed["bdata"]), np.dtype(f"<{packed['dtype']}"))


def views(opened: OpenRun) -> list[View]:
    ends = whole(opened.run)
    lanes = lanes_of(opened.run)
    shown = tuple(lane for lane in lanes if lane.key in usual_keys(lanes))
    middle = 0.5 * (ends[0] + ends[1])
    return [
        View(ends, None, shown),
        View((middle, ends[1]), (ends[0], middle), lanes, ((ends[0], middle), (middle, ends[1]))),
        View(ends, None, ()),
    ]


def check_together(report: Report, place: str) -> None:
    """The table's fuse and wire lie on the curves of the picture, and nowhere beyond them."""
    curve = report.fuse_leads[place].protects.curve if place in report.fuse_leads else ()
    for row in exposure_figure.rows(report, place):
        assert (row.slowest_a is None) == (row.wire_a is None)
        if not curve or not curve[0].time_s <= row.window_s <= curve[-1].time_s:
            assert row.slowest_a is None
            continue
        after = next(at for at, point in enumerate(curve) if point.time_s >= row.window_s)
        near = curve[max(after - 1, 0) : after + 1]
        for found, sides in (
            (row.slowest_a, [point.fuse_most_a for point in near]),
            (row.wire_a, [point.wire_least_a for point in near]),
        ):
            assert min(sides) * (1 - 1e-9) <= (found or 0.0) <= max(sides) * (1 + 1e-9)


@pytest.mark.parametrize("name", NAMES)
def test_every_run_has_a_page(library: Library, name: str) -> None:
    """Nothing raises, every picture fits plotly's schema, every answer says a figure or why there is none."""
    opened, report = library.open(name), library.report(name)
    page = drive_page(opened.run, name, DriveAddress(), lanes_of(opened.run))
    assert "Answers" in text_of(page)
    for view in views(opened):
        for theme in (LIGHT, DARK):
            check_figure(traces_figure(opened, view, theme))
            check_figure(overview_figure(opened, whole(opened.run), view, theme))
        tables.traces_table(opened, view)
    for place in ("left", "right", "main"):
        if exposure_figure.missing(report, place) is None:
            for narrow in (False, True):
                check_figure(exposure_figure.exposure_figure(report, place, Screen(LIGHT, narrow)))
            assert tables.exposure_table(report, place) is not None
            check_together(report, place)
    if volts_figure.missing(report) is None:
        for narrow in (False, True):
            check_figure(volts_figure.volts_figure(report, Screen(DARK, narrow)))
        tables.volts_table(report)
    if report.drive.command_map:
        for theme in (LIGHT, DARK):
            check_figure(command_figure.command_figure(report, theme))
        assert text_of(tables.command_table(report))
    for part in (
        drive_words(report),
        findings_part(report.findings),
        figures_part(report),
        *(lead_figures(report, kind) for kind in LEAD_FIGURES),
        volts_words(report),
        laps_part(report, 1, DriveAddress(), name, laps_figure.channels_of(opened)),
    ):
        assert text_of(part)
    for si_name, _ in laps_figure.channels_of(opened):
        check_figure(laps_figure.laps_figure(report, opened, si_name, 1, LIGHT))
    cards = cards_of(report)
    assert cards
    for card in cards:
        said = text_of(show_card(card, DriveAddress(), name))
        assert card.head.value is not None or "not given" in said or "no margin" in said, said


def test_the_page_says_what_the_intervals_rest_on(library: Library) -> None:
    known = [
        part for part in components(figures_part(library.report("whole"))) if getattr(part, "id", "") == "uncertainty"
    ]
    said = text_of(known)
    assert "Net energy" in said
    for each in library.report("whole").uncertainty:
        words = words_of(each.source, each.declared)
        assert words.what in said
        assert words.next in said
    nothing = dataclasses.replace(library.report("whole"), uncertainty=())
    assert "No main result has an interval." in text_of(figures_part(nothing))


def reason(report: Report, library: Library, name: str) -> str:
    opened = library.open(name)
    return " ".join(
        text_of(part)
        for part in (
            answer_cards(report, DriveAddress(), name),
            figures_part(report),
            *(lead_figures(report, kind) for kind in LEAD_FIGURES),
            findings_part(report.findings),
            volts_words(report),
            drive_words(report),
            laps_part(report, 1, DriveAddress(), name, laps_figure.channels_of(opened)),
        )
    )


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("no-voltage", "no battery voltage was measured"),
        ("no-machine", "The run has no machine description"),
        ("no-fuse", "The machine file names no fuse"),
        ("one-channel", "no left current was measured"),
        ("one-voltage", "no battery current was measured"),
        ("no-laps", "No laps in this part of the run"),
        ("no-charge", "charge at the start is not known"),
        ("3-seconds", "shorter than this window of"),
        ("one-sample", "too few samples"),
        ("whole", "no command pulses were recorded"),
    ],
)
def test_missing_content_is_explained(library: Library, name: str, said: str) -> None:
    assert said in reason(library.report(name), library, name)


def test_a_part_is_computed_for_itself(library: Library) -> None:
    """The net charge of two parts adds up to that of the whole, up to the one interval between them."""
    whole_run, first, second = (library.report("whole", part) for part in (None, (0.0, 30.0), (30.0, 59.99)))
    values = [report.energy.net_ah.value for report in (whole_run, first, second)]
    assert None not in values
    assert values[0] == pytest.approx(sum(value for value in values[1:] if value is not None), rel=1e-3)
    assert first.run.duration_s == pytest.approx(30.0)


def test_a_gap_is_shaded_and_breaks_the_lines(library: Library) -> None:
    opened = library.open("a-gap")
    figure = traces_figure(opened, views(opened)[0], LIGHT)
    shades = [shape for shape in figure["layout"]["shapes"] if shape["type"] == "rect"]
    assert [(round(shape["x0"], 2), round(shape["x1"], 2)) for shape in shades] == [(30.0, 39.01)]
    assert np.isnan(unpacked(figure["data"][0]["y"])).sum() == 1


def test_points_of_a_trace_are_bounded(library: Library) -> None:
    """At most about 2,000 a trace, however long the run."""
    opened = library.open("whole")
    counts = [len(unpacked(trace["x"])) for trace in traces_figure(opened, views(opened)[0], LIGHT)["data"]]
    assert 1000 < max(counts) <= 2000


def test_laps_are_marked_and_laid_over_one_another(library: Library) -> None:
    report, opened = library.report("whole"), library.open("whole")
    assert len(report.laps.each) >= 4
    figure = laps_figure.laps_figure(report, opened, "battery_current_a", 2, LIGHT)
    assert [trace["uid"] for trace in figure["data"]][-1] == "lap2"
    assert len(figure["data"]) == len(report.laps.each)
    starts = tuple((lap.start_s, lap.end_s) for lap in report.laps.each)
    marked = traces_figure(opened, View(whole(opened.run), None, lanes_of(opened.run), starts), LIGHT)
    assert (
        sum(shape["type"] == "line" and shape["xref"] == "x" for shape in marked["layout"]["shapes"]) == len(starts) + 1
    )


def test_the_arrow_spans_the_margin(library: Library) -> None:
    """On the logarithmic axis the arrow is as long as the margin of the report."""
    report = library.report("whole")
    figure = exposure_figure.exposure_figure(report, "left", Screen(LIGHT))
    arrow = next(note for note in figure["layout"]["annotations"] if note["showarrow"])
    assert 10 ** (arrow["y"] - arrow["ay"]) == pytest.approx(report.fuses["left"].margin.value)
    assert 10 ** arrow["x"] == pytest.approx(report.fuses["left"].tightest_window_s)


def commanded(folder: Path, machine: str = CART) -> Report:
    """A drive with commands that go from rest to full; the channels take what `short_drive` gives."""
    time_s, channels = short_drive()
    pulse = 1500 + 500 * np.clip(time_s / 60, 0, 1)
    sticks = {"pulse_a_us": pulse, "pulse_b_us": np.full(len(time_s), 1500.0)}
    path = write_run_of(folder, "commanded", time_s, {**channels, **sticks}, machine=machine, start_charge=1.0)
    return Library(folder).report(path.stem)


def test_the_command_picture_and_its_table_say_the_same(tmp_path: Path) -> None:
    report = commanded(tmp_path)
    figure = command_figure.command_figure(report, LIGHT)
    check_figure(figure)
    assert [trace["name"] for trace in figure["data"]] == ["left", "right"]
    drawn = np.concatenate([unpacked(trace["y"]) for trace in figure["data"]])
    assert drawn == pytest.approx([each.mean_a for each in report.drive.command_map])
    rows = text_of(tables.command_table(report))
    assert rows.count("left") == rows.count("right") == 10
    assert f"{report.drive.command_map[3].mean_a:.2f}" in rows


def test_no_band_is_drawn_around_the_other_lead_s_current(tmp_path: Path) -> None:
    report = commanded(tmp_path, CART.replace('sensed = "supply_leg"', 'sensed = "motor_lead"'))
    assert report.fuses["left"].current_from == "estimated"
    assert exposure_figure.limits_of(report, "left") is None
    assert exposure_figure.limits_of(report, "main") is not None
    check_figure(exposure_figure.exposure_figure(report, "left", Screen(LIGHT)))
    card = next(card for card in cards_of(report) if card.title.startswith("Left fuse"))
    assert "estimated through the controller's duty, not measured" in text_of(
        show_card(card, DriveAddress(), "commanded")
    )
    assert "not measured, it is estimated" in text_of(lead_figures(report, "fuses"))


def test_hostile_words_stay_words(tmp_path: Path) -> None:
    """Names and notes of a file reach the page as text of components, and no picture at all."""
    hostile = "<script>alert(1)</script>"
    machine = CART.replace('"Seedling-tray cart"', f'"{hostile}"')
    time_s, channels = short_drive(20.0)
    write_run_of(tmp_path, "hostile", time_s, channels, machine=machine, notes=(hostile,), tags=(hostile, "\x1b[31m"))
    (tmp_path / f"{hostile.replace('/', '_')}.parquet").write_bytes(b"PAR1 nothing")
    library = Library(tmp_path)
    opened, report = library.open("hostile"), library.report("hostile")
    page = drive_page(opened.run, "hostile", DriveAddress(), lanes_of(opened.run))
    assert text_of(page).count(hostile) >= 3
    assert "\x1b" not in text_of(page)
    book = logbook_page(library)
    assert hostile in text_of(book)
    assert "<script>alert(1)<_script>.parquet" in text_of(book)
    assert not any("Markdown" in type(part).__name__ for part in components([page, book]))
    pictures = [
        traces_figure(opened, views(opened)[1], LIGHT),
        exposure_figure.exposure_figure(report, "left", Screen(LIGHT)),
        volts_figure.volts_figure(report, Screen(LIGHT)),
    ]
    assert "script" not in json.dumps(pictures)


def test_ids_on_a_page_are_unique(library: Library) -> None:
    """Dash ties callbacks to ids: two components with one id would answer for each other."""
    report, opened = library.report("whole"), library.open("whole")
    address = DriveAddress()
    page: list[Any] = [
        drive_page(opened.run, "whole", address, lanes_of(opened.run)),
        answer_cards(report, address, "whole"),
        laps_part(report, 1, address, "whole", laps_figure.channels_of(opened)),
        figures_part(report),
    ]
    ids = [json.dumps(found) for part in components(page) if (found := getattr(part, "id", None)) is not None]
    assert len(ids) == len(set(ids))
