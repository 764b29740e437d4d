"""Writes some of these captures, and prints their lines of `expected.csv`, computed from the truth and not by the
reader: `python3 make.py`. Readings are invented: the battery lead of a pump hut in an orchard.

The older captures beside it were written by hand or by scripts that were not kept; their lines of `expected.csv` come
from the lists of readings that they were written from.
"""

import json
import pathlib

FOLDER = pathlib.Path(__file__).parent
ROWS = 48
#: Standby, and the pump for a while; ampere.
CURRENT = [0.117 + 0.001 * (i % 3) + (0.350 if 12 <= i < 26 else 0.0) for i in range(ROWS)]
EVENING = 21 * 3600 + 15 * 60


def of_day(second):
    return f"{second // 3600 % 24:02d}:{second // 60 % 60:02d}:{second % 60:02d}"


def comma(text):
    return text.replace(".", ",")


def write(name, text, column, unit, *, options="", duration=ROWS - 1.0, start="", read=None, cautions="", encoding="utf-8"):
    (FOLDER / name).write_bytes(text.encode(encoding))
    read = CURRENT if read is None else read
    mean = sum(read) / len(read)
    print(",".join([name, options, column, unit, str(len(read)), str(duration), start, repr(mean), "0", "0", "0", cautions]))


rows = list(enumerate(CURRENT))
write(
    "clocks_disagree.csv",
    "elapsed (s),logged at,current (mA)\n"
    + "".join(f"{60 * i},2026-03-14 {of_day(EVENING + 61 * i)},{1000 * a:.0f}\n" for i, a in rows),
    "current (mA)", "mA", duration=61.0 * (ROWS - 1), start="2026-03-14T21:15:00", cautions="clocks-disagree",
)
write(
    "newest_first_epoch.csv",
    "unix,current (A)\n" + "".join(f"{1773522900 + i},{a:.3f}\n" for i, a in reversed(rows)),
    "current (A)", "A", start="2026-03-14T21:15:00+00:00", cautions="clock-utc",
)
write(
    "first_second_late.csv",
    "time,current (A)\n" + "".join(f"2026-03-14 {of_day(EVENING + (i + 2) // 4)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=0.25 * (ROWS - 1), start="2026-03-14T21:15:00.5", cautions="clock-repeats",
)
write(
    "mark_told.csv",
    "zeit s;strom mA\n" + "".join(f"{i};{1000 + 3 * i:,}\n".replace(",", ".") for i, _ in rows),
    "strom mA", "mA", options="mark=comma", read=[(1000 + 3 * i) / 1e3 for i, _ in rows],
)
write(
    "document.json",
    json.dumps({"made by": "hut", "log": [{"t_s": i, "supply": {"volts": 12.6, "current_mA": round(1000 * a)}} for i, a in rows]}, indent=1),
    "supply current_mA", "mA",
)
write(
    "arrow_lines.txt",
    "".join(f"{of_day(EVENING + i)} -> current_mA:{1000 * a:.1f}, supply_V:12.6\n" for i, a in rows),
    "current_mA", "mA",
)
write(
    "spoken_lines.txt",
    "".join(f"Supply: 12.60 V  Current: {1000 * a:.2f} mA  Uptime: {100 * i} ms\n" for i, a in rows),
    "Current", "mA", duration=0.1 * (ROWS - 1),
)
write(
    "half_day_first.csv",
    "시간,전압(V),전류(A)\n" + "".join(f"2026-03-14 오후 9:{15 + i // 60}:{i % 60:02d},12.6,{a:.3f}\n" for i, a in rows),
    "전류(A)", "A", start="2026-03-14T21:15:00",
)
write(
    "unit_with_time.txt",
    "| time | current |\n|------|---------|\n" + "".join(f"| {i} s | {1000 * a:.0f} mA |\n" for i, a in rows),
    "current", "mA",
)
