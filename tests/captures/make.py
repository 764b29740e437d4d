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
#: The half hour before summer time changes, and a reading a minute over it.
write(
    "summer_time_starts.csv",
    "time,current (A)\n" + "".join(f"2026-03-29 {of_day(5400 + 60 * i + (3600 if i >= 30 else 0))},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1) + 3600.0, start="2026-03-29T01:30:00", cautions="clock-hour-forward",
)
write(
    "summer_time_ends_undated.csv",
    "time,current (A)\n" + "".join(f"{of_day(9000 + 60 * i - (3600 if i >= 30 else 0))},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1), cautions="clock-hour-back",
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
write(
    "day_of_year.csv",
    "time,current (A)\n" + "".join(f"2026-073T{of_day(EVENING + i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "day_of_year_slash.csv",
    "logged,job,current (A)\n" + "".join(f"2026/{73 + (EVENING + 300 * i) // 86400:03d} {of_day(EVENING + 300 * i)},2026-114,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=300.0 * (ROWS - 1), start="2026-03-14T21:15:00",
)
write(
    "day_of_year_colons.csv",
    "time;current (mA)\n" + "".join(f"{73 + (EVENING + 300 * i) // 86400:03d}:{of_day(EVENING + 300 * i)};{1000 * a:.0f}\n" for i, a in rows),
    "current (mA)", "mA", duration=300.0 * (ROWS - 1),
)


def letters(minute):
    return f"{minute // 60}h{minute % 60:02d}m" if minute >= 60 else f"{minute}m"


write(
    "minutes_letter.csv",
    "elapsed,current (A)\n" + "".join(f"{118 + i}m,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1),
)
write(
    "hours_minutes_letters.csv",
    "run time,current (A)\n" + "".join(f"{letters(30 + i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1),
)
write(
    "iso_durations.csv",
    "t,current (A)\n" + "".join(f"P1DT{i // 2}M{30 * (i % 2)}S,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=30.0 * (ROWS - 1),
)
write(
    "line_protocol.txt",
    "# hut telemetry\n"
    + "".join(
        f"hut,line=panel current_mA={900 - i},voltage=18.2 {1773522900000000000 + i * 10**9}\n"
        f"hut,line=battery voltage=12.6,current_mA={1000 * a:.0f}i {1773522900000000000 + i * 10**9}\n"
        f"weather,place=roof temperature=11.5 {1773522900000000000 + i * 10**9}\n"
        for i, a in rows
    ),
    "current_mA", "mA", start="2026-03-14T21:15:00+00:00", cautions="rival-currents clock-utc",
)
write(
    "year_two_digits.csv",
    "time,current (A)\n" + "".join(f"14/03/26 {of_day(EVENING + i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00", cautions="date-order",
)
write(
    "hours_above_23.csv",
    "elapsed,current (A)\n" + "".join(f"{22 + i // 2}:{30 * (i % 2):02d}:00,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=1800.0 * (ROWS - 1),
)


def fault(name, text, says):
    (FOLDER / name).write_text(text)
    print(f"{name},,!fault,,,,,{says},,,,")


write(
    "charge_before_current.csv",
    "Rec#;Test Time;Step Time;Amp-hr;Watt-hr;Amps;Volts\n"
    + "".join(f"{i + 1};0d {of_day(10 * i)};0d {of_day(10 * (i % 20))};{0.001 * i:.4f};{0.01 * i:.4f};{a:.3f};12.1\n" for i, a in rows),
    "Amps", "A", duration=10.0 * (ROWS - 1),
)
write(
    "script_lines.txt",
    "".join(f"{{'ts': {1773522900 + i}, 'mA': {1000 * a:.1f}, 'V': 12.6}}\n" for i, a in rows),
    "mA", "mA", start="2026-03-14T21:15:00+00:00", cautions="clock-utc",
)
write(
    "logger_lines.txt",
    "".join(f"2026-03-14 {of_day(EVENING + i)},250 {'INFO' if i % 9 else 'WARN'} hut: current={1000 * a:.1f} mA voltage=12.6 V\n" for i, a in rows),
    "current", "mA", start="2026-03-14T21:15:00.25",
)
write(
    "notes_behind.csv",
    "t_s,i_mA\n" + "".join(f"{i},{1000 * a:.0f}{',pump on' if i == 12 else ',pump off, late' if i == 26 else ''}\n" for i, a in rows),
    "i_mA", "mA",
)
write(
    "chinese_dates.csv",
    "时间,电流(mA)\n" + "".join(f"2026年03月14日 {of_day(EVENING + i)},{1000 * a:.0f}\n" for i, a in rows),
    "电流(mA)", "mA", start="2026-03-14T21:15:00",
)
write(
    "six_columns.csv",
    "Year,Month,Day,Hour,Minute,Second,Current_mA\n"
    + "".join(f"2026,3,14,21,{15 + i // 2},{30 * (i % 2)},{1000 * a:.0f}\n" for i, a in rows),
    "Current_mA", "mA", duration=30.0 * (ROWS - 1), start="2026-03-14T21:15:00",
)
write(
    "four_parts.csv",
    "elapsed,current (A)\n" + "".join(f"1:{of_day(37 * i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=37.0 * (ROWS - 1), cautions="clock-four-parts",
)
write(
    "four_parts_named.csv",
    "Elapsed (d:hh:mm:ss),current (A)\n" + "".join(f"0:{of_day(60 * i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1),
)
write(
    "step_clock_nearer.txt",
    "TestTime(s)\tStepTime(s)\tI/mA\tQ/mA.h\n" + "".join(f"{30 * i}\t{30 * (i % 16)}\t{1000 * a:.0f}\t{i * 0.3:.3f}\n" for i, a in rows),
    "I/mA", "mA", duration=30.0 * (ROWS - 1),
)
write(
    "minutes_in_header.csv",
    "Time[min:sec],Current[A]\n" + "".join(f"{i // 6}:{10 * i % 60:02d},{a:.3f}\n" for i, a in rows),
    "Current[A]", "A", duration=10.0 * (ROWS - 1),
)
write(
    "date_in_digits.csv",
    "date,time,batt_v,batt_ma\n" + "".join(f"140326,{of_day(EVENING + 30 * i).replace(':', '')},12.6,{1000 * a:.0f}\n" for i, a in rows),
    "batt_ma", "mA", duration=30.0 * (ROWS - 1), start="2026-03-14T21:15:00", cautions="date-order",
)
write(
    "interval_below_its_name.csv",
    "X,CH1,CH2,Start,Increment\nSequence,Volt,Ampere,0.000,2.0e-3\n" + "".join(f"{i},12.6,{a:.3f},,\n" for i, a in rows),
    "Ampere", "A", duration=0.002 * (ROWS - 1), cautions="interval-unit-assumed",
)
fault(
    "fault_multiplied_unit.csv",
    "time (s),Current (x10 mA)\n" + "".join(f"{i},{100 * a:.2f}\n" for i, a in rows),
    "multiplies its unit",
)
fault(
    "fault_web_page.xls",
    "<html><table>\n<tr><td>time</td><td>current (mA)</td></tr>\n"
    + "".join(f"<tr><td>21:15:{i:02d}</td><td>{1000 * a:.1f}</td></tr>\n" for i, a in rows)
    + "</table></html>\n",
    "a web page",
)
write(
    "nested_lines.jsonl",
    "".join(json.dumps({"ts": 1773522900000 + 1000 * i, "topic": "hut/pump", "payload": {"current_A": round(a, 3), "u": 12.6}}) + "\n" for i, a in rows),
    "payload current_A", "A", start="2026-03-14T21:15:00+00:00", cautions="clock-utc",
)
write(
    "bracketed_time.log",
    "".join(f"[{0.1 * i:12.6f}] hut: ibat={1000 * a:.1f}mA vbat=12600mV\n" for i, a in rows),
    "ibat", "mA", duration=0.1 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "one_channel_annotated.csv",
    "#group,false,false,true,false,true\n#datatype,string,long,dateTime:RFC3339,double,string\n#default,_result,,,,\n,result,table,_time,_value,_field\n"
    + "".join(f",,0,2026-03-14T{of_day(EVENING + i)}Z,{a:.3f},current_A\n" for i, a in rows),
    "current_A", "A", start="2026-03-14T21:15:00+00:00",
)
write(
    "rate_in_title.csv",
    "CH1 current [mA] @ 100 Hz\n" + "".join(f"{1000 * a:.0f}\n" for _, a in rows),
    "CH1 current [mA] @ 100 Hz", "mA", duration=0.01 * (ROWS - 1),
)
write(
    "zone_row.csv",
    "Timestamp,Yield [Wh],Battery voltage [V],Load current [A]\n[UTC],,,\n"
    + "".join(f"2026-03-14 {of_day(EVENING + 60 * i)},0,12.6,{a:.3f}\n" for i, a in rows),
    "Load current [A]", "A", duration=60.0 * (ROWS - 1), start="2026-03-14T21:15:00",
)
write(
    "nanoampere.csv",
    "time_us,current_na\n" + "".join(f"{1000 * i},{1e9 * a:.0f}\n" for i, a in rows),
    "current_na", "nA", duration=0.001 * (ROWS - 1),
)
write(
    "japanese.csv",
    "時間(秒),電流値(A)\n" + "".join(f"{0.1 * i:.1f},{a:.3f}\n" for i, a in rows),
    "電流値(A)", "A", duration=0.1 * (ROWS - 1), encoding="euc_jp",
)
write(
    "swedish.csv",
    "Mätning;Likström\nEnhet;mA\n\nTid;Värde\n" + "".join(f"2026-03-14 {of_day(EVENING + i)};{comma(f'{1000 * a:.1f}')}\n" for i, a in rows),
    "Värde", "mA", start="2026-03-14T21:15:00",
)
write(
    "coupling_beside.csv",
    "Fecha,Hora,Lectura,Unidad\n" + "".join(f"14/03/2026,{of_day(EVENING + i)},{a:.3f},A CC\n" for i, a in rows),
    "Lectura", "A", start="2026-03-14T21:15:00",
)
write(
    "range_in_title.csv",
    "time (s),pump current 1000 mA\n" + "".join(f"{i},{1000 * a:.0f}\n" for i, a in rows),
    "pump current 1000 mA", "mA", cautions="unit-range",
)
fault(
    "fault_beyond_its_range.csv",
    "time (s);10 mA;V\n" + "".join(f"{i};{100 * a:.2f};12.6\n" for i, a in rows),
    "multiplies its unit",
)
write(
    "entity_state.csv",
    "entity_id,state,last_changed\n" + "".join(f"sensor.hut_current_mA,{1000 * a:.0f},2026-03-14T{of_day(EVENING + i)}.000Z\n" for i, a in rows),
    "sensor.hut_current_mA", "mA", start="2026-03-14T21:15:00+00:00",
)
write(
    "rate_in_cells.csv",
    "Messung;1\nAbtastrate;2;Hz\n\nI in mA\n" + "".join(comma(f"{1000 * a:.1f}") + "\n" for _, a in rows),
    "I in mA", "mA", duration=0.5 * (ROWS - 1),
)
fault(
    "fault_picoampere.csv",
    "time_s,i_pA\n" + "".join(f"{i},{1e12 * a:.0f}\n" for i, a in rows),
    "multiplies its unit",
)
write(
    "points_time.csv",
    "aika;virta (A)\n" + "".join(f"{of_day(10 * 3600 + 11 * 60 + 40 + i).replace(':', '.')};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "virta (A)", "A",
)
write(
    "points_date_time.csv",
    "aika;virta (A)\n" + "".join(f"14.3.2026 {of_day(EVENING + i).replace(':', '.')};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "virta (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "points_apart.csv",
    "pvm;klo;virta (A)\n" + "".join(f"14.3.2026;{of_day(EVENING + i).replace(':', '.')};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "virta (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "slash_hyphen.csv",
    "tid;strøm (A)\n" + "".join(f"14/03-2026 {of_day(EVENING + i)};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "strøm (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "hyphen_time.csv",
    "time,current (A)\n" + "".join(f"2026-03-14T{of_day(EVENING + i).replace(':', '-')},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "hyphen_in_digits.csv",
    "time,current (A)\n" + "".join(f"20260314-{of_day(EVENING + i).replace(':', '')},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "underscores.csv",
    "stamp;current (A)\n" + "".join(f"26_03_14_{of_day(EVENING + i).replace(':', '_')};{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00", cautions="date-order",
)
write(
    "year_first_two_digits.csv",
    "tid;ström (A)\n" + "".join(f"26-03-14 {of_day(EVENING + i)};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "ström (A)", "A", start="2026-03-14T21:15:00", cautions="date-order",
)
write(
    "minutes_from_zero.csv",
    "time,current (A)\n" + "".join(f"{5 * i // 60}:{5 * i % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=5.0 * (ROWS - 1), cautions="clock-two-parts",
)
write(
    "apostrophes.csv",
    "t (s);I (µA)\n" + "".join(f"{i};{i // 24}'{i * 37 % 1000:03d}\n" for i, _ in rows),
    "I (µA)", "µA", read=[(i // 24 * 1000 + i * 37 % 1000) / 1e6 for i, _ in rows],
)
write(
    "unit_apart.csv",
    "time,reading,range,flags,unit\n" + "".join(f"2026-03-14 {of_day(EVENING + i)},{1000 * a:.0f},6,AUTO,mA\n" for i, a in rows),
    "reading", "mA", start="2026-03-14T21:15:00",
)
write(
    "level_lines.txt",
    "".join(f"I ({1000 + 500 * i}) hut: U=12.61 V, I={1000 * a:.0f} mA\n" for i, a in rows),
    "I", "mA", duration=0.5 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "tick_lines.txt",
    "".join(f"{100 * i}ms: {1000 * a:.0f}mA\n" for i, a in rows),
    "reading", "mA", duration=0.1 * (ROWS - 1),
)
write(
    "spoken_behind_brackets.txt",
    "".join(f"[{4.699397 + 0.5 * i:010.6f}] pump current {1000 * a:.0f}mA ok\n" for i, a in rows),
    "pump current", "mA", duration=0.5 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "time_on_its_own_line.txt",
    "".join(f"2026-03-14 {of_day(EVENING + i)}\nCurrent: {1000 * a:.0f} mA Voltage: 12.6 V\n" for i, a in rows),
    "Current", "mA", start="2026-03-14T21:15:00",
)
write(
    "remark_under_header.csv",
    "# time,current (A)\n# pump on\n" + "".join(f"2026-03-14 {of_day(EVENING + i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "comma_after_date.csv",
    "logged,voltage (V),current (mA)\n" + "".join(f"14/03/2026, {of_day(EVENING + i)},12.6,{1000 * a:.0f}\n" for i, a in rows),
    "current (mA)", "mA", start="2026-03-14T21:15:00",
)
write(
    "two_names_in_one.csv",
    "time (s), supply max (V), pump (A) radio (A)\n" + "".join(f"{i}, 12.6, {a:.3f}, 0.1\n" for i, a in rows),
    "pump (A)", "A", cautions="rival-currents",
)
write(
    "name_missing.csv",
    "time (s),current (A),supply (V)\n" + "".join(f"{i},{a:.3f},12.6,7.5\n" for i, a in rows),
    "current (A)", "A", cautions="header-short",
)
write(
    "vast.csv",
    "time (s),current (mA)\n" + "".join(f"{i},{1e7 * a:.0f}\n" for i, a in rows),
    "current (mA)", "mA", read=[10_000 * a for a in CURRENT], cautions="unit-doubtful",
)
write(
    "zone_in_header.csv",
    "time (UTC+01:00),current (A)\n" + "".join(f"2026-03-14 {of_day(EVENING + i)},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00+01:00",
)
write(
    "row_names.txt",
    '"time_s" "current_A"\n' + "".join(f'"{i + 1}" {i * 0.5} {a:.3f}\n' for i, a in rows),
    "current_A", "A", duration=0.5 * (ROWS - 1),
)
write(
    "preamble_filled_up.csv",
    "Vitesse (tr/min);1000.0;;;;;\n ;;;;;;\nNb points;2001;;;;;\ndt consigne;0.003;;;;;\n"
    "Temps (s);Consigne (tr/min);Vitesse (tr/min);Courant (A);Angle (deg);Glissement (mm/s);Pas (mm)\n"
    + "".join(f"{i / 10:.3f};1000.000;0.000;{a:.3f};5.550;0.000;4.579\n" for i, a in rows),
    "Courant (A)", "A", duration=0.1 * (ROWS - 1),
)
ASIDE = ["Record Length,2.5e+03", "Sample Interval,1e-03", "Source,CH2", "Vertical Units,A", "Horizontal Units,s"]
write(
    "units_aside.csv",
    "".join(f"{ASIDE[i] if i < len(ASIDE) else ','},,{-0.02 + 0.001 * i:.6f},{a:.3f},\n" for i, a in rows),
    "column 5", "A", duration=0.001 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "no_year.log",
    "".join(f"03-14 {of_day(EVENING + i)}.250   812   907 D hut: I={1000 * a:.0f}mA U={12600 + i % 3}mV\n" for i, a in rows),
    "I", "mA",
)
write(
    "level_behind_stamp.log",
    "".join(f"2026-03-14 {of_day(EVENING + i)} INFO  hut: current {1000 * a:.0f} mA, supply 12.6 V\n" for i, a in rows),
    "hut current", "mA", start="2026-03-14T21:15:00",
)
write(
    "no_unit_micro.csv",
    "time (s),current,voltage\n" + "".join(f"{i},{1e6 * a:.0f},{12600000 + i}\n" for i, a in rows),
    "current", "µA", cautions="unit-assumed",
)
write(
    "first_rows_blank.csv",
    "time,elapsed_s,status,supply_V,current_A,power_W\n"
    + "".join(f"2026-03-14T{of_day(EVENING + i)},{i},{'lost,,,' if i < 2 else f'ok,12.6,{a:.3f},{12.6 * a:.3f}'}\n" for i, a in rows),
    "current_A", "A", read=CURRENT[2:], duration=ROWS - 3.0, start="2026-03-14T21:15:02",
)
write(
    "minutes_from_a_quarter.csv",
    "time,current (A)\n" + "".join(f"{15 * (i + 1) // 60:02d}:{15 * (i + 1) % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=15.0 * (ROWS - 1), cautions="clock-two-parts",
)
write(
    "minutes_by_interval.csv",
    "Interval: 10 s\ntime,current (A)\n"
    + "".join(f"{(720 + 10 * i) // 60:02d}:{10 * i % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=10.0 * (ROWS - 1),
)
write(
    "minutes_past_the_hour.csv",
    "time mm:ss,current (A)\n"
    + "".join(f"{(3400 + 10 * i) // 60 % 60:02d}:{(3400 + 10 * i) % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=10.0 * (ROWS - 1), cautions="clock-overflow",
)
write(
    "hours_fill_a_day.csv",
    "time,current (A)\n" + "".join(f"{i // 2:02d}:{30 * (i % 2):02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=1800.0 * (ROWS - 1),
)
write(
    "hours_over_midnight.csv",
    "time,current (A)\n" + "".join(f"{(22 + i // 4) % 24:02d}:{15 * (i % 4):02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=900.0 * (ROWS - 1), cautions="clock-midnight",
)
write(
    "hours_by_start_line.csv",
    "started 21:15:00\ntime,current (A)\n"
    + "".join(f"{(1275 + i) // 60 % 24:02d}:{(1275 + i) % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1),
)
write(
    "us_unlabelled.csv",
    "timestamp,current (A)\n" + "".join(f"{112345678 + 100003 * i},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=0.100003 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "row_names_bare.txt",
    "time current supply\n" + "".join(f"{i + 1} {i * 0.5} {a:.3f} 12.6\n" for i, a in rows),
    "current", "A", duration=0.5 * (ROWS - 1), cautions="unit-assumed clock-unit-assumed",
)
write(
    "row_names_by_tabs.tsv",
    "t_s\tI_mA\n" + "".join(f"r{i + 1}\t{2 * i}\t{1000 * a:.0f}\n" for i, a in rows),
    "I_mA", "mA", duration=2.0 * (ROWS - 1),
)
write(
    "row_number_before_time.txt",
    "".join(f"#{i + 1} {of_day(EVENING + i)} current {1000 * a:.0f} mA, 12.6 V\n" for i, a in rows),
    "current", "mA",
)
write(
    "date_beside_hour_minute.csv",
    "date,hour,minute,second,amps\n"
    + "".join(f"14.03.2026,21,{(900 + 7 * i) // 60},{(900 + 7 * i) % 60},{a:.3f}\n" for i, a in rows),
    "amps", "A", duration=7.0 * (ROWS - 1), start="2026-03-14T21:15:00",
)
write(
    "averages_under_units.csv",
    "TOP,hut,12\nTIMESTAMP,RECORD,SupplyV,PumpI\nTS,RN,Volts,Amps\n,,Avg,Avg\n"
    + "".join(f'"2026-03-14 {of_day(EVENING + i)}",{i},12.6,{a:.3f}\n' for i, a in rows),
    "PumpI Avg", "A", start="2026-03-14T21:15:00",
)
write(
    "names_in_document.json",
    json.dumps({"made_by": "hut", "columns": [{"name": "t", "unit": "s"}, {"name": "I", "unit": "mA"}], "data": [[i * 0.25, round(1000 * a)] for i, a in rows]}),
    "I (mA)", "mA", duration=0.25 * (ROWS - 1),
)
write(
    "prefix_apart.csv",
    "time (s),value,prefix,unit\n"
    + "".join(f"{i},{a if a > 0.2 else 1000 * a:.3f},{'' if a > 0.2 else 'm'},A\n" for i, a in rows),
    "value", '"A, mA"', duration=ROWS - 1.0,
)
write(
    "access_log_stamp.log",
    "".join(f"[14/Mar/2026:{of_day(EVENING + i)} +0100] current={1000 * a:.0f}mA supply=12.6V\n" for i, a in rows),
    "current", "mA", start="2026-03-14T21:15:00+01:00",
)
write(
    "object_behind_stamp.log",
    "".join(f'2026-03-14T{of_day(EVENING + i)} hut: {{"i_mA": {1000 * a:.0f}, "u_V": 12.6}}\n' for i, a in rows),
    "i_mA", "mA", start="2026-03-14T21:15:00",
)
write(
    "samplerate.csv",
    "; made by the hut\n; Samplerate: 2 kHz\nA1 (A)\n" + "".join(f"{a:.3f}\n" for _, a in rows),
    "A1 (A)", "A", duration=(ROWS - 1) / 2000,
)
write(
    "half_day_with_blanks.csv",
    "hora;corriente (A)\n" + "".join(f"9:{15 + i // 60:02d}:{i % 60:02d} p.\u00a0m.;{comma(f'{a:.3f}')}\n" for i, a in rows),
    "corriente (A)", "A",
)
write(
    "points_and_blanks.csv",
    "idő;áram (A)\n" + "".join(f"2026. 03. 14. {of_day(EVENING + i)};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "áram (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "fields_and_types.log",
    "#separator tab\n#fields\tts\tcurrent_a\tsupply\n#types\ttime\tdouble\tdouble\n"
    + "".join(f"{1773522900 + i}.5\t{a:.3f}\t12.6\n" for i, a in rows),
    "current_a", "A", start="2026-03-14T21:15:00.5+00:00", cautions="unit-assumed clock-utc",
)
write(
    "range_in_brackets.csv",
    "time (s),current [10 A]\n" + "".join(f"{i},{a:.3f}\n" for i, a in rows),
    "current [10 A]", "A", cautions="unit-range",
)


def refused(name, head, row):
    (FOLDER / name).write_text(head + "".join(row(i, a) for i, a in rows))


refused("fault_counted_unit.csv", "time (s),current [10 mA]\n", lambda i, a: f"{i},{100 * a:.1f}\n")
refused("fault_counted_units_row.csv", "time;current\nhh:mm:ss;10 mA\n", lambda i, a: f"{of_day(EVENING + i)};{100 * a:.1f}\n")
refused("fault_power_of_ten.csv", "time (s);I / 10^-3 A\n", lambda i, a: f"{i};{1000 * a:.0f}\n")
refused("fault_times_ten.csv", "t_s,I_mA_x10\n", lambda i, a: f"{i},{10000 * a:.0f}\n")
refused("fault_exponent_apart.csv", "time (s),reading,exponent,unit\n", lambda i, a: f"{i},{1000 * a:.0f},-3,A\n")
write(
    "minutes_above_23.csv",
    "time,current (A)\n" + "".join(f"{40 * (i + 60) // 60:02d}:{40 * (i + 60) % 60:02d},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=40.0 * (ROWS - 1), cautions="clock-two-parts",
)
write(
    "words_before_named_lines.log",
    "connected\nheartbeat\n" + "".join(f"2026-03-14 {of_day(EVENING + i)},250 - hut - I={1000 * a:.1f} U=12.6\n" for i, a in rows),
    "I", "mA", start="2026-03-14T21:15:00.25", cautions="unit-assumed",
)
write(
    "sentences_above.csv",
    "Current measurements in mA\nsampled every 0.5 seconds\n" + "".join(f"{1000 * a / 10:.1f}\n" for _, a in rows),
    "column 1", "mA", duration=0.5 * (ROWS - 1), read=[a / 10 for a in CURRENT],
)
refused("fault_ten_times.csv", "time (s),current (10*mA)\n", lambda i, a: f"{i},{100 * a:.1f}\n")
write(
    "klo.csv",
    "aika;virta (A)\n" + "".join(f"14.3.2026 klo {of_day(EVENING + i).replace(':', '.')};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "virta (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "extremes_over_units.csv",
    "Time,Min,Max,Avg\n,A,A,A\n" + "".join(f"{of_day(EVENING + i)},{a - 0.01:.3f},{a + 0.01:.3f},{a:.3f}\n" for i, a in rows),
    "Avg", "A", cautions="rival-currents",
)
write(
    "mark_without_name.csv",
    "time (s),current (A)\n" + "".join(f"{i},{a:.3f},{i % 5}\n" for i, a in rows),
    "current (A)", "A", cautions="header-short",
)
write(
    "arrays_inside.jsonl",
    "".join(json.dumps({"t_s": i, "i_mA": round(1000 * a), "flags": [1, 2]}) + "\n" for i, a in rows),
    "i_mA", "mA",
)
write(
    "set_in_records.csv",
    "Cycle,Charge (mAh)\n,Step,Name\n,,Record,Time (h:min:s),Voltage (V),Current (mA)\n1,12.5\n,1,rest\n"
    + "".join(f",,{i + 1},{of_day(i)},12.6,{1000 * a:.0f}\n" for i, a in rows),
    "Current (mA)", "mA",
)
BESIDE = ["Record Length,48,points", "Sample Interval,2.0E-5,s", "Vertical Units,A,", "Probe,0.1,", "Source,CH2,"]
write(
    "preamble_beside_rows.csv",
    "".join(f"{BESIDE[i] if i < 5 else ',,'},{(i - 20) * 2e-5:+.6f},{a:+.3f}\n" for i, a in rows),
    "column 5", "A", duration=2e-5 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "days_hyphen.csv",
    "record,relative time,current (A)\n" + "".join(f"{i + 1},{i // 24}-{i % 24:02d}:00:00,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=3600.0 * (ROWS - 1),
)
write(
    "mean_among_extremes.csv",
    "Function,A dc\n\nStart,End,Min,Average,Max\n"
    + "".join(f"2026-03-14 {of_day(EVENING + 2 * i)},2026-03-14 {of_day(EVENING + 2 * i + 2)},{a - 0.01:.3f},{a:.3f},{a + 0.02:.3f}\n" for i, a in rows),
    "Average", "A", duration=2.0 * (ROWS - 1), start="2026-03-14T21:15:00",
)
write(
    "mean_with_far_unit.csv",
    "Min,Max,Avg,Time,Unit\n" + "".join(f"{a - 0.01:.3f},{a + 0.02:.3f},{a:.3f},{of_day(EVENING + i)},ADC\n" for i, a in rows),
    "Avg", "A",
)
write(
    "counter_of_ticks.csv",
    "counter,current (A)\n" + "".join(f"{60000 * i},{a:.3f}\n" for i, a in rows),
    "current (A)", "A", duration=60.0 * (ROWS - 1), cautions="clock-unit-assumed",
)
refused("fault_counter_of_pulses.csv", "counter,current (A)\n", lambda i, a: f"{1000 * i + i % 7},{a:.3f}\n")
refused("fault_counter_of_rows.csv", "counter,current (A)\n", lambda i, a: f"{10 * i},{a:.3f}\n")
write(
    "range_in_words.csv",
    "time (s),current [1000 mA range]\n" + "".join(f"{i},{1000 * a:.0f}\n" for i, a in rows),
    "current [1000 mA range]", "mA", cautions="unit-range",
)
write(
    "range_over_units.csv",
    "time,current [1000 mA range],supply\ns,A,V\n" + "".join(f"{i},{a:.3f},12.6\n" for i, a in rows),
    "current [1000 mA range]", "A",
)
refused("fault_beyond_range_in_words.csv", "time (s),current [100 mA range]\n", lambda i, a: f"{i},{1000 * a:.0f}\n")
write(
    "span_before_bar.txt",
    "".join(f"{i * 250} ms | current: {1000 * a:.0f} mA | bus: 12.6 V\n" for i, a in rows),
    "current", "mA", duration=0.25 * (ROWS - 1),
)
write(
    "terminal_stamps.txt",
    "".join(f"{of_day(EVENING + i)}.250> Shunt: 1.2 mV  Bus: 12.6 V  Current: {1000 * a:.0f} mA\n" for i, a in rows),
    "Current", "mA",
)
write(
    "kl_alone.csv",
    "Datum;Klockslag;Ström (A)\n" + "".join(f"2026-03-14;kl. {of_day(EVENING + i).replace(':', '.')};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "Ström (A)", "A", start="2026-03-14T21:15:00",
)
write(
    "objects_in_objects.jsonl",
    "".join(json.dumps({"time": f"2026-03-14T{of_day(EVENING + i)}", "hut": {"lead": {"i": {"value": round(1000 * a), "unit": "mA"}}}}) + "\n" for i, a in rows),
    "hut lead i value", "mA", start="2026-03-14T21:15:00",
)
write(
    "since_start_with_sign.csv",
    "time,current,status\n" + "".join(f"T+{of_day(i)},{1000 * a:.0f}mA,ok\n" for i, a in rows),
    "current", "mA",
)
write(
    "hour_minute_second.csv",
    "Hour;Minute;Second;Amps\n" + "".join(f"{(EVENING + 240 * i) // 3600 % 24};{(EVENING + 240 * i) // 60 % 60};{i % 60};{comma(f'{a:.3f}')}\n" for i, a in rows),
    "Amps", "A", duration=241.0 * (ROWS - 1), cautions="clock-midnight",
)
write(
    "tag_behind_stamp.log",
    "".join(f"[{of_day(EVENING + i)}] LOAD I:{a:.3f}A U:12.6V Q:{i}mAh\n" for i, a in rows),
    "I", "A",
)
write(
    "effective_in_name.csv",
    "time,Irms1,Urms1\ns,A,V\n" + "".join(f"{i},{a:.3f},12.6\n" for i, a in rows),
    "Irms1", "A", cautions="alternating-current",
)
write(
    "power_factor_beside.csv",
    "time (s),voltage (V),current (A),power factor\n" + "".join(f"{i},230.1,{a:.3f},0.87\n" for i, a in rows),
    "current (A)", "A", cautions="alternating-current",
)
write(
    "units_in_preamble.csv",
    "Record Length,48\nSample Interval (s),4e-05\nVertical Units,A\nHorizontal Units,s\n\n"
    + "".join(f"{4e-5 * i - 1e-3:.6e},{a:.3f}\n" for i, a in rows),
    "column 2", "A", duration=4e-5 * (ROWS - 1), cautions="clock-unit-assumed",
)
write(
    "units_in_front.csv",
    '"TIME","V-L1","A-L1","W-L1"\n' + "".join(f'"2026-03-14 {of_day(EVENING + i)}","12.6","{a:.3f}","{12.6 * a:.2f}"\n' for i, a in rows),
    "A-L1", "A", start="2026-03-14T21:15:00", cautions="unit-doubtful",
)
write(
    "form_of_time_alone.csv",
    "Time,Potential (V),Current (mA)\nh:mm:ss,,\n" + "".join(f"0:0{i // 6}:{i % 6 * 10:02d},12.6,{1000 * a:.0f}\n" for i, a in rows),
    "Current (mA)", "mA", duration=10.0 * (ROWS - 1),
)
write(
    "words_in_quotes.log",
    "".join(f'level=info ts=2026-03-14T{of_day(EVENING + i)} msg="sample, ok" current_ma={1000 * a:.0f} volts=12.6\n' for i, a in rows),
    "current_ma", "mA", start="2026-03-14T21:15:00",
)
write(
    "sampling_in_hertz.csv",
    "[Waveform]\nSampling=5.0E+04 Hz\nUnit=A\n[Data]\n" + "".join(f"{a:.3f}\n" for _, a in rows),
    "[Data]", "A", duration=2e-5 * (ROWS - 1),
)
write(
    "units_over_names.csv",
    "Scale,1,2\nUnit,V,A\nt (s),C1,C2\n" + "".join(f"{i},12.6,{a:.3f}\n" for i, a in rows),
    "C2", "A",
)
write(
    "small_units.csv",
    "date,batt_a,batt_v\n" + "".join(f"2026-03-14 {of_day(EVENING + i)},{a:.3f},12.6\n" for i, a in rows),
    "batt_a", "A", start="2026-03-14T21:15:00", cautions="unit-doubtful",
)
refused("fault_acceleration.csv", "time (s),wheel_a,wheel_v\n", lambda i, a: f"{i},{a:.3f},12.6\n")
write(
    "span_and_bare_readings.txt",
    "".join(f"{i * 0.5:.1f} s: {1000 * a:.0f} mA, 12.6 V\n" for i, a in rows),
    "reading", "mA", duration=0.5 * (ROWS - 1),
)
write(
    "tabs_between_pairs.txt",
    "Time: 0\nReady\n" + "".join(f"Time: {i * 1000} ms\tBus voltage: 12.6 V\tCurrent: {1000 * a:.0f} mA\n" for i, a in rows),
    "Current", "mA",
)
write(
    "one_topic.csv",
    '"time","topic","payload"\n' + "".join(f'"2026-03-14 {of_day(EVENING + i)}","hut/battery/current_A","{a:.3f}"\n' for i, a in rows),
    "hut/battery/current_A", "A", start="2026-03-14T21:15:00",
)
write(
    "zone_beside.csv",
    "date,time,zone,current (A)\n" + "".join(f"2026-03-14,{of_day(EVENING + i)},+02:00,{a:.3f}\n" for i, a in rows),
    "current (A)", "A", start="2026-03-14T21:15:00",
)
