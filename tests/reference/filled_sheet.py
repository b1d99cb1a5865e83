"""A sheet of `meniscus sheet` filled in by openpyxl is a capture: the results are those of the CSV filled alike.

    pip install -r tests/reference/requirements.txt
    cargo build --release
    python tests/reference/filled_sheet.py --check

Long and wide, with and without a box for what stands in the vessel before; numbers as numbers and as text.
"""

import csv
import json
import pathlib
import subprocess
import sys
import tempfile

import openpyxl

ROOT = pathlib.Path(__file__).resolve().parents[2]
RUN = ["--injectors", "A1,A2", "--widths", "1.5,2,4,8ms", "--pulses", "14000,9000,4500,2200", "--repeats", "2"]
RUN += ["--voltage", "14V", "--pressure", "300kPa"]
FORMS = {"long": [], "start": ["--start"], "wide": ["--wide"]}


def reading(row, column, start):
    """An invented reading in ml, to the half; what stood there before is 1.5 ml."""
    if start:
        return 1.5
    slope = 0.0042 * (1 + 0.01 * len(row["injector"] if "injector" in row else column))
    return round(2 * int(row["pulses"]) * slope * (float(row["pulse_width_ms"]) - 0.8)) / 2


def fill(header, rows, put):
    """Every empty cell of a column of readings."""
    for number, cells in enumerate(rows):
        row = {name: str(cell) for name, cell in zip(header, cells) if cell not in (None, "")}
        for at, name in enumerate(header):
            if name.startswith("volume") and cells[at] in (None, ""):
                put(number, at, reading(row, name, "start" in name))


def results(program, path):
    done = subprocess.run([program, "fit", path, "--json"], capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{path}: {done.stderr or done.stdout}")
    document = json.loads(done.stdout)
    document.pop("sources")
    if not all(sweep["slope"] for injector in document["injectors"] for sweep in injector["sweeps"]):
        sys.exit(f"{path}: a sweep without flow")
    places = lambda value: (
        {k: places(v) for k, v in value.items() if k not in ("source", "line", "row", "column", "place", "sheet", "cell", "facts")}
        if isinstance(value, dict)
        else [places(v) for v in value] if isinstance(value, list) else value
    )
    return places(document)


def check(program, folder, form, options, as_text):
    blank = {ending: str(folder / f"{form}.{ending}") for ending in ("csv", "xlsx")}
    for path in blank.values():
        subprocess.run([program, "sheet", *RUN, *options, "--replace", "-o", path], check=True, capture_output=True)
    with open(blank["csv"], encoding="utf-8-sig", newline="") as file:
        lines = list(csv.reader(file))
    first = next(i for i, line in enumerate(lines) if "pulse_width_ms" in line)
    fill(lines[first], lines[first + 1 :], lambda row, at, value: lines[first + 1 + row].__setitem__(at, f"{value:g}"))
    with open(blank["csv"], "w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(lines)

    book = openpyxl.load_workbook(blank["xlsx"])
    sheet, top = next((s, r) for s in book for r in s.iter_rows() if any(c.value == "pulse_width_ms" for c in r))
    columns = [c.value for c in top]
    below = top[0].row + 1
    values = [list(r) for r in sheet.iter_rows(min_row=below, values_only=True)]
    values = [r for r in values if any(v not in (None, "") for v in r)]
    written = 0

    def put(row, at, value):
        nonlocal written
        written += 1
        sheet.cell(below + row, at + 1).value = f"{value:g}" if as_text else value

    fill(columns, values, put)
    if written == 0:
        sys.exit(f"{form}: nothing was filled in")
    book.save(blank["xlsx"])
    if results(program, blank["csv"]) != results(program, blank["xlsx"]):
        sys.exit(f"{form}: the filled workbook gives other results than the filled CSV file")
    print(f"{form}{', numbers as text' if as_text else ''}: {written} cells filled in, the same results")


def main():
    if "--check" not in sys.argv:
        sys.exit(__doc__)
    program = ROOT / "target" / "release" / "meniscus"
    with tempfile.TemporaryDirectory() as folder:
        for form, options in FORMS.items():
            for as_text in (False, True):
                check(str(program), pathlib.Path(folder), form, options, as_text)


if __name__ == "__main__":
    main()
