"""The plain text mode's vectors: what a sketch prints, and the stored values, times and faults that must come of it.

The expectations are written by hand. `line` counts from 1; `range` and `order` faults name the line they come from.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

Row = list[int | None]


def _vector(
    name: str, purpose: str, text: str, *segments: dict[str, Any], faults: Sequence[tuple[str, int]] = ()
) -> dict[str, Any]:
    expect = {"segments": list(segments), "faults": [{"kind": kind, "line": line} for kind, line in faults]}
    return {"name": f"text-{name}", "layer": "text", "purpose": purpose, "text": text, "expect": expect}


def _segment(columns: str, *rows: Row, boot: int = 0) -> dict[str, Any]:
    """Consecutive lines of one boot under one header; each row is the time in µs, then one value a column."""
    return {"boot": boot, "columns": columns.split(), "rows": list(rows)}


def text_vectors(crc16: Callable[[bytes], int]) -> list[dict[str, Any]]:
    """All text vectors; `crc16` is the builder's own."""

    def checked(line: str) -> str:
        return f"{line},{crc16(line.encode('ascii')):04x}"

    current, voltage, mark = "battery_current_ua", "battery_voltage_uv", "mark"
    one = f"time_us,{current}\n"
    header = "time_us,battery_current_ua,battery_voltage_uv,crc\n"
    sound = [checked(f"{2000 * place},{12_500_000 + place},25200000") for place in range(3)]
    changed, bare = sound[1].replace("12500001", "12500009"), sound[2].rpartition(",")[0]
    broken = [sound[0], changed, bare, checked("6000,,25200000")]
    long_comment = "# " + "x" * 1023 + "\n"
    return [
        _vector("storage-units", "integers in the unit of the column's name", one + "0,12500000\n2000,-1562500\n",
                _segment(current, [0, 12_500_000], [2000, -1_562_500])),
        _vector("si-names", "decimals under SI names, milliseconds, fields left empty",
                "time_ms,battery_current_a,battery_voltage_v,ambient_temp_c,pulse_a_us\n"
                "10,12.5,25.2,21.37,1500\n12,-0.25,,-4,\n14,1e1,25,.5,0\n",
                _segment(f"{current} {voltage} ambient_temp_cc pulse_a_us",
                         [10_000, 12_500_000, 25_200_000, 2137, 1500], [12_000, -250_000, None, -400, None],
                         [14_000, 10_000_000, 25_000_000, 50, 0])),
        _vector("seconds", "time in seconds, with a fraction", "time_s,mark\n0.0000\n0.5,1\n1.25,2\n",
                _segment(mark, [500_000, 1], [1_250_000, 2]), faults=[("text", 2)]),
        _vector("comments", "comments, blank lines, CR LF, capitals and blanks in the header",
                "# cart, second aisle\r\nTime_us, Mark\r\n\r\n0,0\r\n# pause\r\n2000, 1\r\n",
                _segment(mark, [0, 0], [2000, 1])),
        _vector("crc", "every line checked; either case", header + "\n".join([*sound[:2], sound[2].upper(), ""]),
                _segment(f"{current} {voltage}", *([2000 * i, 12_500_000 + i, 25_200_000] for i in range(3)))),
        _vector("crc-damage", "a changed digit, a missing CRC and a good line with an empty field",
                header + "\n".join([*broken, ""]),
                _segment(f"{current} {voltage}", [0, 12_500_000, 25_200_000], [6000, None, 25_200_000]),
                faults=[("crc", 3), ("crc", 4)]),
        _vector("header-again", "the header repeated changes nothing", one + "0,1\n" + one + "2000,2\n",
                _segment(current, [0, 1], [2000, 2])),
        _vector("header-changed", "another header holds from its line on", one + "0,1\ntime_us,mark\n2000,2\n",
                _segment(current, [0, 1]), _segment(mark, [2000, 2])),
        _vector("header-late", "lines before the first header cannot be read", "0,1\n2000,2\n" + one + "4000,3\n",
                _segment(current, [4000, 3]), faults=[("text", 1), ("text", 2)]),
        _vector("header-unknown", "a header with a name nobody knows is none", "time_us,fan_speed\n0,1\n",
                faults=[("text", 1), ("text", 2)]),
        _vector("column-unknown", "a column with a name nobody knows is skipped",
                f"time_us,fan_speed,{current}\n0,7,1\n2000,off,2\n",
                _segment(current, [0, 1], [2000, 2])),
        _vector("units", "other units of a channel: by the end of its name, or in brackets",
                "time_ms,Battery Current [mA],battery_voltage_mv,Pulse A (ms)\n0,1500,25200.5,1.52\n",
                _segment(f"{current} {voltage} pulse_a_us", [0, 1_500_000, 25_200_500, 1520])),
        _vector("order", "the time anywhere in the line, under the name of the function that gives it",
                f"{current},millis()\n5,20\n6,40\n", _segment(current, [20_000, 5], [40_000, 6])),
        _vector("semicolons", "semicolons; a decimal comma; one more separator at the end of each line",
                "time_ms;battery_voltage_v;left_current_a\n20;25,2;0,5;\n40;25.1;-0,25;\n",
                _segment(f"{voltage} left_current_ua", [20_000, 25_200_000, 500_000], [40_000, 25_100_000, -250_000])),
        _vector("tabs", "tabs; an empty field", "time_ms\tbattery_voltage_v\tleft_current_a\n20\t\t0.5\n",
                _segment(f"{voltage} left_current_ua", [20_000, None, 500_000])),
        _vector("blanks", "any number of blanks", "  time_ms  battery_voltage_v\n  20   25.2\n  40   25.1\n",
                _segment(voltage, [20_000, 25_200_000], [40_000, 25_100_000])),
        _vector("labels", "each line names its values",
                "time=20 ms battery_voltage=25.2V\ntime=40 ms battery_voltage=25.1V\n",
                _segment(voltage, [20_000, 25_200_000], [40_000, 25_100_000])),
        _vector("message", "a message among the lines ends no header", one + "0,1\nbattery low\n2000,2\n",
                _segment(current, [0, 1], [2000, 2]), faults=[("text", 3)]),
        _vector("header-time-unit", "a time without its unit makes no header", f"time,{current}\n0,1\n",
                faults=[("text", 1), ("text", 2)]),
        _vector("header-spoilt", "after a spoilt header no line is read until the next good one",
                one + "0,1\ntime_us,mqrk\n2000,2\n" + one + "4000,3\n",
                _segment(current, [0, 1], [4000, 3]), faults=[("text", 3), ("text", 4)]),
        _vector("header-twice", "one channel under both its names", "time_us,battery_current_a,battery_current_ua\n",
                faults=[("text", 1)]),
        _vector("fields", "too few, too many, no number, no time", one + "0\n2000,1,2\n4000,abc\n,5\n-1,5\n8000,6\n",
                _segment(current, [8000, 6]), faults=[("text", 2), ("text", 3), ("text", 4), ("text", 5), ("text", 6)]),
        _vector("not-numbers", "what some languages take for numbers", one + "0,nan\n1,inf\n2,0x10\n3,1_000\n4,7\n",
                _segment(current, [4, 7]), faults=[("text", 2), ("text", 3), ("text", 4), ("text", 5)]),
        _vector("range", "a value that cannot be real becomes null", "time_us,pulse_a_us\n0,1500\n20000,10001\n",
                _segment("pulse_a_us", [0, 1500], [20_000, None]), faults=[("range", 3)]),
        _vector("same-time", "a line at the time of the one before is dropped", one + "0,1\n2000,2\n2000,3\n4000,4\n",
                _segment(current, [0, 1], [2000, 2], [4000, 4]), faults=[("order", 4)]),
        _vector("long", "more than 1024 bytes are dropped, a comment too", one + "0,1\n" + long_comment + "2,3\n",
                _segment(current, [0, 1], [2, 3]), faults=[("long", 3)]),
        _vector("cut-end", "the last line is not complete yet", one + "0,1\n2000,2", _segment(current, [0, 1])),
        _vector("wrap-us", "the counter of microseconds passes 2^32", one + "4294966296,1\n1000,2\n3000,3\n",
                _segment(current, [4_294_966_296, 1], [4_294_968_296, 2], [4_294_970_296, 3])),
        _vector("wrap-ms", "the counter of milliseconds passes 2^32",
                f"time_ms,{current}\n4294967295,1\n1,2\n",
                _segment(current, [4_294_967_295_000, 1], [4_294_967_297_000, 2])),
        _vector("reset", "a step back that is no wrap is a board that started anew", one + "900000,1\n1000,2\n",
                _segment(current, [900_000, 1]), _segment(current, [1000, 2], boot=1)),
        _vector("reset-late", "the same after 50 minutes: the wrap would be a pause of 21 minutes",
                one + "3000000000,1\n1000,2\n",
                _segment(current, [3_000_000_000, 1]), _segment(current, [1000, 2], boot=1)),
        _vector("pause", "40 minutes of silence are a step forward", one + "1000,1\n2400001000,2\n",
                _segment(current, [1000, 1], [2_400_001_000, 2])),
    ]  # fmt: skip
