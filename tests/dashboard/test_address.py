"""An address holds all of a view, and nothing that it says can do harm."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.dashboard.address import DriveAddress, number, pair, run_id_of, word, words

times = st.floats(0, 1e6).map(lambda value: round(value, 3))
spans = st.one_of(st.none(), st.tuples(times, times).map(sorted).filter(lambda s: s[1] > s[0]).map(tuple))
names = st.from_regex(r"[a-z][a-z_]{0,20}", fullmatch=True)


@given(
    st.builds(
        DriveAddress,
        spans,
        spans,
        st.one_of(st.none(), st.lists(names, min_size=1, max_size=8).map(tuple)),
        st.one_of(st.none(), names),
        st.one_of(st.none(), st.integers(1, 5000)),
        st.one_of(st.none(), names),
    )
)
def test_an_address_read_back_is_the_same(address: DriveAddress) -> None:
    assert DriveAddress.parse(address.query()) == address


@given(st.text(max_size=300))
def test_any_query_is_read_without_complaint(search: str) -> None:
    """Finite times in order, plain names, a bounded lap; all else is left out."""
    found = DriveAddress.parse("?" + search)
    for span in (found.part, found.see):
        assert span is None or (math.isfinite(span[0]) and span[0] < span[1])


def test_a_worked_example() -> None:
    text = "?from=60&to=90&see_from=70&see_to=75.5&show=battery,left&fuse=left&lap=3&across=left_current_a"
    found = DriveAddress.parse(text)
    assert found == DriveAddress((60, 90), (70, 75.5), ("battery", "left"), "left", 3, "left_current_a")
    assert found.query() == text


@pytest.mark.parametrize(
    "search",
    [
        "?from=90&to=60",
        "?from=nan&to=3",
        "?from=1&to=inf",
        "?from=1",
        "?to=5",
        "?lap=-1",
        "?lap=0",
        "?lap=²",
        "?fuse=a-b",
    ],
)
def test_nonsense_counts_as_not_given(search: str) -> None:
    assert DriveAddress.parse(search) == DriveAddress()


@pytest.mark.parametrize("raw", [None, True, "x", [1], {}, float("nan"), 10**400, "1e999"])
def test_what_is_no_number(raw: object) -> None:
    assert number(raw) is None


def test_what_a_browser_may_send() -> None:
    assert pair([1, "2.5"]) == (1.0, 2.5)
    assert [pair(raw) for raw in ([2, 1], [1, 1], [1], "12", None, [1, None])] == [None] * 6
    assert word("left_current_a") == "left_current_a"
    assert [word(raw) for raw in ("a b", "<b>", "", 3, "x" * 80, "é")] == [None] * 6
    assert words(["left", "<b>", 3]) == ("left",)
    assert words("left") == ()


def test_run_ids_in_paths() -> None:
    assert run_id_of("/run/abc-1") == "abc-1"
    assert run_id_of("/run/abc-1/") == "abc-1"
    assert [run_id_of(path) for path in (None, "/", "/runs/x", "run/x")] == [None] * 4
