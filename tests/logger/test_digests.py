"""A run file holds what its segments held; harm on the way is noticed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from amptally.logger.errors import StorageError
from amptally.logger.storage import runfile
from amptally.logger.storage.metadata import Metadata
from amptally.logger.storage.runfile import digest, write_frame, write_run, write_segment


def frame(
    rows: int, start: int, seed: int = 0, names: tuple[str, ...] = ("battery_current_ua", "mark")
) -> pl.DataFrame:
    rng = np.random.default_rng(seed + start)
    time = pl.Series("t_us", np.arange(start, start + rows, dtype=np.int64) * 1000)
    columns = [pl.Series(name, rng.integers(-9000, 9000, rows, dtype=np.int32)) for name in names]
    columns[-1] = columns[-1].set(columns[-1] > 8000, None)
    return pl.DataFrame([time, *columns])


def sealed(folder: Path, frames: list[pl.DataFrame]) -> list[Path]:
    paths = [folder / f"{place}.parquet" for place in range(len(frames))]
    for path, part in zip(paths, frames, strict=True):
        write_segment(path, part)
    return paths


@pytest.mark.parametrize(
    "frames",
    [
        [frame(130_000, 0), frame(60_000, 130_000), frame(61_000, 190_000), frame(40_000, 251_000)],
        [frame(40_000, 0), frame(40_000, 40_000, names=("battery_current_ua", "battery_voltage_uv"))],
        [frame(1_000, start, names=("mark",)) for start in range(0, 5_000, 1_000)],
    ],
    ids=["same channels", "other channels", "short segments"],
)
def test_joined_is_what_all_segments_hold(tmp_path: Path, frames: list[pl.DataFrame]) -> None:
    paths = sealed(tmp_path, frames)
    write_run(tmp_path / "run.parquet", paths, Metadata("run"), [digest(part) for part in frames])
    found = pl.read_parquet(tmp_path / "run.parquet", glob=False)
    assert found.equals(pl.concat(frames, how="diagonal").select(found.columns))


def test_a_byte_that_changed_on_the_way_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Any byte of the column data: the file is not taken, and the segments stay."""
    frames = [frame(40_000, 0), frame(35_000, 40_000)]
    paths = sealed(tmp_path, frames)
    digests = [digest(part) for part in frames]
    size, compare = paths[0].stat().st_size, runfile._compare
    for place in (100, size // 3, size // 2, size):

        def spoilt(path: Path, *rest: object, at: int = place) -> None:
            data = bytearray(path.read_bytes())
            data[at] ^= 0x10
            path.write_bytes(data)
            compare(path, *rest)  # type: ignore[arg-type]

        with monkeypatch.context() as patch:
            patch.setattr(runfile, "_compare", spoilt)
            with pytest.raises(StorageError):
                write_run(tmp_path / "run.parquet", paths, Metadata("run"), digests)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["0.parquet", "1.parquet"]
    write_run(tmp_path / "run.parquet", paths, Metadata("run"), digests)


@pytest.mark.parametrize("other", [frame(75_000, 1), frame(74_999, 0), frame(75_000, 0, names=("mark", "pulse_a_us"))])
def test_other_rows_than_were_sealed_are_noticed(tmp_path: Path, other: pl.DataFrame) -> None:
    with pytest.raises(StorageError, match="does not read back"):
        write_run(tmp_path / "run.parquet", sealed(tmp_path, [frame(75_000, 0)]), Metadata("run"), [digest(other)])


@given(st.data())
def test_a_digest_tells_values_and_nulls_apart(data: st.DataObject) -> None:
    values = data.draw(st.lists(st.one_of(st.none(), st.integers(-3, 3)), min_size=1, max_size=30))
    other = list(values)
    place = data.draw(st.integers(0, len(values) - 1))
    other[place] = data.draw(st.one_of(st.none(), st.integers(-3, 3)))
    first, second = (pl.DataFrame({"mark": pl.Series(each, dtype=pl.Int32)}) for each in (values, other))
    assert (digest(first) == digest(second)) is (values == other)


@pytest.mark.parametrize("share", [0.01, 0.3, 0.5, 0.8, 1.0])
def test_a_run_written_from_memory_is_compared_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, share: float
) -> None:
    """As for segments: a byte of the column data that changed on the way is noticed, and nothing is left."""
    table, compare = frame(75_000, 0), runfile._compare_all

    def spoilt(path: Path, wanted: pl.DataFrame) -> None:
        data = bytearray(path.read_bytes())
        data[int(4 + share * (len(data) // 2))] ^= 0x10
        path.write_bytes(data)
        compare(path, wanted)

    with monkeypatch.context() as patch:
        patch.setattr(runfile, "_compare_all", spoilt)
        with pytest.raises(StorageError):
            write_frame(tmp_path / "run.parquet", table, Metadata("run"))
    assert list(tmp_path.iterdir()) == []
    write_frame(tmp_path / "run.parquet", table, Metadata("run"))


@given(st.data())
def test_other_values_than_were_in_memory_are_noticed(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    values = data.draw(st.lists(st.one_of(st.none(), st.integers(-3, 3)), min_size=1, max_size=30))
    other = list(values)
    other[data.draw(st.integers(0, len(values) - 1))] = data.draw(st.one_of(st.none(), st.integers(-3, 3)))
    times = pl.Series("t_us", range(len(values)), pl.Int64)
    first, second = (pl.DataFrame([times, pl.Series("mark", each, pl.Int32)]) for each in (values, other))
    path = tmp_path_factory.getbasetemp() / "compared.parquet"
    write_segment(path, first)
    runfile._compare_all(path, first)
    for wrong in ([second] if values != other else []) + [first.drop("mark"), first.head(len(values) - 1)]:
        with pytest.raises(StorageError, match="does not read back"):
            runfile._compare_all(path, wrong)
