"""The channel table: consistent in itself, complete against the contract, and the source of the document's table."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from amptally.logger.channels import (
    BY_NAME,
    BY_SI_NAME,
    BY_WIRE_ID,
    CHANNELS,
    COLUMN_UNITS,
    INT16_NULL,
    INT32_NULL,
    TIME_COLUMN,
    Channel,
)

NOMENCLATURE = Path(__file__).parents[2] / "docs" / "nomenclature.md"
ENDINGS = {"_ua": ("_a", "µA", "A", 1e-6), "_uv": ("_v", "µV", "V", 1e-6), "_cc": ("_c", "0.01 °C", "°C", 0.01)}
WIRE_IDS = {
    "battery_current_ua": 1,
    "battery_voltage_uv": 2,
    "midpoint_voltage_uv": 3,
    "block_b_current_ua": 4,
    "controller_voltage_uv": 5,
    "left_fused_voltage_uv": 6,
    "right_fused_voltage_uv": 7,
    "left_current_ua": 8,
    "right_current_ua": 9,
    "receiver_voltage_uv": 10,
    "pulse_a_us": 11,
    "pulse_b_us": 12,
    "pulse_a_count": 13,
    "pulse_b_count": 14,
    "left_wheel_count": 15,
    "right_wheel_count": 16,
    "battery_current_rms_ua": 20,
    "battery_current_min_ua": 21,
    "battery_current_max_ua": 22,
    "left_current_rms_ua": 23,
    "left_current_min_ua": 24,
    "left_current_max_ua": 25,
    "right_current_rms_ua": 26,
    "right_current_min_ua": 27,
    "right_current_max_ua": 28,
    "ambient_temp_cc": 30,
    "fuse_temp_cc": 31,
    "controller_temp_cc": 32,
    "motor_temp_cc": 33,
    "mark": 40,
}

each_channel = pytest.mark.parametrize("channel", CHANNELS, ids=lambda channel: channel.name)


@each_channel
def test_the_default_unit_of_a_column_is_the_SI_unit(channel: Channel) -> None:
    """1 A is 1,000,000 steps of 1 µA: both tables say the same of every channel."""
    steps = next(iter(COLUMN_UNITS[channel.unit].values()), 1)
    # BIPM, SI brochure, 9th edition, table 7 (prefixes), from memory: milli 1e-3, micro 1e-6
    assert steps * channel.si_per_step == pytest.approx(1.0, rel=1e-12)


def channel_table() -> str:
    """The table of docs/nomenclature.md."""
    lines = ["| id | column | SI name | stored in | limits | what it is |", "|---|---|---|---|---|---|"]
    for channel in CHANNELS:
        low, high = channel.valid
        limits = "32 bits" if channel.counts else f"{si_limit(low, channel)} .. {si_limit(high, channel)}"
        unit = channel.unit or "count"
        names = f"`{channel.name}` | `{channel.si_name}`"
        lines.append(f"| {channel.wire_id} | {names} | {unit} | {limits} | {channel.text} |")
    return "\n".join(lines) + "\n"


def si_limit(stored: int, channel: Channel) -> str:
    return f"{stored * channel.si_per_step:,g} {channel.si_unit}".replace("-", "−")


def test_names_are_unique() -> None:
    assert len(BY_NAME) == len(BY_SI_NAME) == len(BY_WIRE_ID) == len(CHANNELS)
    assert len({channel.label for channel in CHANNELS}) == len(CHANNELS)


def test_no_name_means_one_channel_stored_and_another_in_si() -> None:
    shared = BY_NAME.keys() & BY_SI_NAME.keys()
    assert all(BY_NAME[name] is BY_SI_NAME[name] for name in shared)
    assert all(BY_NAME[name].si_per_step == 1 for name in shared)
    assert TIME_COLUMN not in BY_NAME | BY_SI_NAME


def test_names_and_wire_ids_are_those_of_the_contract() -> None:
    # Other tools rely on the names, boards in the field announce the numbers: a line may be added, never altered.
    assert {channel.name: channel.wire_id for channel in CHANNELS} == WIRE_IDS
    assert all(0 < channel.wire_id < 256 for channel in CHANNELS)


@each_channel
def test_units_agree_with_the_names(channel: Channel) -> None:
    assert re.fullmatch(r"[a-z_]+", channel.name)
    for ending, (si_ending, unit, si_unit, step) in ENDINGS.items():
        if channel.name.endswith(ending):
            assert channel.si_name == channel.name.removesuffix(ending) + si_ending
            assert (channel.unit, channel.si_unit, channel.si_per_step) == (unit, si_unit, step)
            return
    assert channel.si_name == channel.name
    assert channel.si_per_step == 1
    assert channel.counts is (channel.name == "mark" or channel.name.endswith("_count"))
    assert (channel.unit, channel.si_unit) == (("", "") if channel.counts else ("µs", "µs"))


@each_channel
def test_limits_fit_the_storage_and_leave_null_out(channel: Channel) -> None:
    low, high = channel.valid
    assert INT32_NULL < low < high < 2**31
    assert low <= 0 <= high


@each_channel
def test_texts_are_for_people(channel: Channel) -> None:
    assert channel.label[0].isupper()
    assert channel.text
    assert "|" not in channel.label + channel.text


def test_nulls_are_the_minimum_of_their_widths() -> None:
    assert INT32_NULL == -(2**31)
    assert INT16_NULL == -(2**15)


@pytest.mark.parametrize("lead", ["battery", "left", "right"])
def test_interval_statistics_share_the_limits_of_their_current(lead: str) -> None:
    mean = BY_NAME[f"{lead}_current_ua"]
    for statistic in ("rms", "min", "max"):
        channel = BY_NAME[f"{lead}_current_{statistic}_ua"]
        assert (channel.unit, channel.si_per_step, channel.valid) == (mean.unit, mean.si_per_step, mean.valid)


def test_the_documents_table_is_this_table() -> None:
    text = NOMENCLATURE.read_text(encoding="utf-8")
    _, _, rest = text.partition("<!-- channels -->\n")
    table, _, _ = rest.partition("<!-- end of channels -->")
    assert table == channel_table(), "docs/nomenclature.md: paste the output of channel_table() between its markers"


def test_the_documents_case_adds_up() -> None:
    # The worked case at the head of docs/nomenclature.md, from its own inputs.
    text = " ".join(NOMENCLATURE.read_text(encoding="utf-8").split())
    out_ah, in_ah = 12.5 * 36 / 3600, 2 * 18 / 3600
    out_wh, in_wh = out_ah * 25.2, in_ah * 26.0
    assert f"= {out_ah:.3f} Ah and {out_wh:.2f} Wh; recovered 2 × 18 / 3600 = {in_ah:.3f} Ah and {in_wh:.2f} Wh" in text
    assert f"net {out_ah - in_ah:.3f} Ah and {out_wh - in_wh:.2f} Wh" in text
    upper_v = 25.40 - 12.80
    assert f"the upper one at {upper_v:.2f} V: imbalance {12.80 - upper_v:+.2f} V" in text
    assert f"sag {25.40 - 24.10:+.2f} V" in text
