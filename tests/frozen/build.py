"""Makes the frozen files of the present schema. Run once per schema, never again for one that has been released:

    python -m tests.frozen.build

A board with every kind of frame says its piece on a line with some damage; the journal keeps it, the recorder's own
builder makes the run. What the readers of today find in both is written beside them, and every later reader must find
the same.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np

from amptally.logger.channels import BY_NAME
from amptally.logger.recording.recovery import recover
from amptally.logger.storage.journal import JournalWriter
from amptally.logger.storage.metadata import SCHEMA
from amptally.logger.wire.frames import (
    Describe,
    Event,
    EventCode,
    Extreme,
    Extremes,
    Message,
    Samples,
    WireChannel,
    encode,
)
from tests.frozen.findings import findings

FOLDER = Path(__file__).parent
NAME = f"schema-{SCHEMA}"
INTERVAL_US = 2_000
PER_FRAME = 10
MACHINE = """# Frozen with schema 1: every later version reads this file.
[machine]
name = "seedling cart"
wheel_diameter_m = 0.254
mass_kg = 38.0

[battery]
id = "frozen-1"
chemistry = "agm"
blocks = 2
arrangement = "series"
block_voltage_v = 12.0
capacity_ah = 35.0
capacity_hours = 20.0
cutoff_v = 10.5

[fuse.left]
family = "blade_large"
rating_a = 40.0
position = "supply_leg"

[wire.left]
mm2 = 4.0
length_m = 1.2

[controller]
sensed = "supply_leg"

[sensors.battery_current]
gain_u = 0.01
offset_u = 0.05
noise = 0.02
resolution = 0.025
full_scale = 100.0
"""
CHANNELS = tuple(
    WireChannel(BY_NAME[name].wire_id, bits, numerator, denominator, offset, full_scale, corner_mhz)
    for name, bits, numerator, denominator, offset, full_scale, corner_mhz in (
        ("battery_current_ua", 16, 3125, 1, 0, 100_000_000, 1_600_000),
        ("battery_voltage_uv", 16, 1250, 1, 0, 40_000_000, 800_000),
        ("left_current_ua", 16, 3125, 1, -50_000, 100_000_000, 0),
        ("right_current_ua", 32, 1, 1, 0, 0, 0),
        ("pulse_a_us", 16, 1, 2, 0, 0, 0),
        ("pulse_a_count", 32, 1, 1, 0, 0, 0),
        ("controller_temp_cc", 16, 1, 1, 0, 0, 0),
        ("mark", 32, 1, 1, 0, 0, 0),
    )
)


def rows(first: int, count: int) -> bytes:
    """Raw values of `count` samples: a drive of starts and stops, one reading missing in each hundred."""
    place = np.arange(first, first + count)
    drive = 40 * np.clip(np.sin(place / 400.0), 0, 1) + 2
    table = np.zeros(count, [(f"c{k}", f"<i{channel.bits // 8}") for k, channel in enumerate(CHANNELS)])
    table["c0"] = np.round(drive / 0.003125)
    table["c1"] = np.round((25.2 - 0.02 * drive) / 0.00125)
    table["c2"] = np.round(drive / 2 / 0.003125)
    table["c3"] = np.round(drive / 2 * 1e6)
    table["c4"] = np.where(place % 100 == 50, -(2**15), 3000)
    table["c5"] = place // 10
    table["c6"] = 2500 + place // 100
    table["c7"] = place // 3000
    return table.tobytes()


def said() -> list[tuple[int, Message]]:
    """(time of sending in µs, message): two boots, the clock turning in the first, an event of each kind."""
    out: list[tuple[int, Message]] = []
    for boot, first_us, frames in ((7, 2**32 - 3_000_000, 900), (8, 1_000, 300)):
        pause_us = 0 if boot == 7 else 25_000_000
        out.append((pause_us, Describe(0xC0FFEE, boot, 2, INTERVAL_US, "frozen 1", CHANNELS)))
        out.append((pause_us, Event(first_us % 2**32, EventCode.RESET, 4)))
        for frame in range(frames):
            at = first_us + frame * PER_FRAME * INTERVAL_US
            sent_us = pause_us + (frame + 1) * PER_FRAME * INTERVAL_US
            data = rows(frame * PER_FRAME + (0 if boot == 7 else 9000), PER_FRAME)
            out.append((sent_us, Samples(2, boot & 0xFF, at % 2**32, INTERVAL_US, data, PER_FRAME)))
            if frame % 50 == 49:
                entry = Extreme(CHANNELS[0].wire_id, 2_000_000, 55_000_000 if boot == 7 else 43_000_000, 20_000_000)
                left = Extreme(CHANNELS[2].wire_id, 950_000, 27_000_000, -(2**31))
                out.append((sent_us, Extremes(at % 2**32, (frame + 1) * 20, (entry, left))))
                out.append((sent_us, Describe(0xC0FFEE, boot, 2, INTERVAL_US, "frozen 1", CHANNELS)))
            if frame % 300 == 299:
                out.append((sent_us, Event(at % 2**32, EventCode.MARKER, frame // 300)))
        out.append((pause_us + frames * PER_FRAME * INTERVAL_US, Event(at % 2**32, EventCode.MISSED_SAMPLES, 3)))
    return out


def journal(path: Path) -> None:
    """Write the journal: frames lost, spoilt and twice on the way, delivery up to 8 ms late."""
    header: dict[str, object] = {
        "schema": SCHEMA, "program": "frozen", "run_id": NAME, "utc": "2026-05-04T03:02:01.000000+00:00",
        "host_us": 5_000_000, "machine": MACHINE, "for_s": None, "notes": ["dry floor", "zwölf Schalen"],
        "rested_h": 9.5, "start_charge": 0.9,
    }  # fmt: skip
    writer = JournalWriter(path, header)
    sequence, boot = 0, 7
    for place, (sent_us, message) in enumerate(said()):
        if isinstance(message, Describe) and message.boot != boot:
            boot, sequence = message.boot, 0
        data = encode(message, sequence)
        sequence += 1
        match place % 211:
            case 100 | 101:
                data = b""
            case 150:
                data = data[:9] + bytes([data[9] ^ 0x40 or 1]) + data[10:]
            case 180:
                data = data + data
        late_us = place * 2654435761 % 8000
        writer.append("bytes", 5_400_000 + sent_us + late_us, data)
        if place == 300:
            writer.note(5_400_000 + sent_us, what="unplugged")
            writer.note(5_400_000 + sent_us, what="reopened")
    writer.note(60_000_000, what="stop", reason="Ctrl-C")
    writer.close()


def main() -> None:
    paths = [FOLDER / f"{NAME}.{ending}" for ending in ("journal", "parquet", "toml", "json")]
    if any(path.exists() for path in paths):
        sys.exit(f"{NAME} is frozen already. A new schema needs a new number.")
    journal(paths[0])
    recover(paths[0], paths[1])
    paths[2].write_text(MACHINE, encoding="utf-8")
    paths[3].write_text(json.dumps(findings(paths[1], paths[2]), indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
