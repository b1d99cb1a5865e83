"""Workbooks for the tests, written by openpyxl from tests/good-captures/plain.csv and wide.csv.

The good ones hold the readings of plain.csv as people keep them in sheets; the bad ones and
the hostile ones are what a reader must refuse or survive. Those whose names begin with
libreoffice- were converted from openpyxl's by LibreOffice Calc 7.4 (soffice --headless
--convert-to); --check leaves them alone, .ci/run converts afresh and compares the readings.

    pip install -r tests/reference/requirements.txt
    python tests/reference/workbooks.py            writes tests/workbooks
    python tests/reference/workbooks.py --check    compares the cells, exit 1 if they differ
    python tests/reference/workbooks.py --big FILE writes a sheet of 1,048,576 rows (not kept)
"""

import csv
import datetime
import pathlib
import sys
import tempfile

import openpyxl
from openpyxl.styles import Font

ROOT = pathlib.Path(__file__).resolve().parent.parent
TARGET = ROOT / "workbooks"
TEXT = {"injector", "note", "exclude"}


def rows(name):
    with open(ROOT / "good-captures" / name, encoding="utf-8", newline="") as file:
        return list(csv.reader(line for line in file if not line.startswith("#")))


def value(name, text):
    """A cell as a person types it: numbers are numbers, empty is empty."""
    if text == "":
        return None
    if name in TEXT or name.startswith("exclude"):
        return text
    number = float(text)
    return int(number) if number.is_integer() else number


def fill(sheet, table, top=1, left=1):
    for r, row in enumerate(table):
        for c, text in enumerate(row):
            cell = text if r == 0 else value(table[0][c], text)
            sheet.cell(top + r, left + c, cell)


def book(title="Readings"):
    made = openpyxl.Workbook()
    made.active.title = title
    return made


def good_plain():
    made = book()
    fill(made.active, rows("plain.csv"))
    return made


def good_titles():
    """Merged titles, a logo's empty rows, the table at C6, a comment, the header again, a notes sheet."""
    made = book("Notes")
    made.active["A1"] = "pulses: see the log"
    sheet = made.create_sheet("Bench 2")
    sheet.merge_cells("A1:H2")
    sheet["A1"] = "Monday's set"
    sheet["A1"].font = Font(bold=True, size=16)
    sheet.merge_cells("B4:E4")
    sheet["B4"] = "volume read after each train"
    table = rows("plain.csv")
    fill(sheet, table[:6], 6, 3)
    sheet["C12"] = "# after lunch"
    fill(sheet, [table[0]] + table[6:], 13, 3)
    return made


def good_text_numbers():
    """Numbers as text, with decimal commas and blanks around them."""
    made = book()
    table = rows("plain.csv")
    for r, row in enumerate(table):
        for c, text in enumerate(row):
            if r and table[0][c] not in TEXT and text:
                text = f" {text.replace('.', ',')} "
            made.active.cell(r + 1, c + 1, text or None)
    return made


def good_merged_ids():
    """The injector, the voltage and the pressure once for all rows below."""
    made = book()
    table = rows("plain.csv")
    fill(made.active, table)
    for first, last in ((2, 6), (7, 11)):
        for column in "ABC":
            for row in range(first + 1, last + 1):
                made.active[f"{column}{row}"] = None
            made.active.merge_cells(f"{column}{first}:{column}{last}")
    return made


def good_wide():
    made = book("Wide")
    fill(made.active, rows("wide.csv"))
    return made


def formulas():
    """Volumes as sums and widths as quotients: no value is stored until a program computes them."""
    made = book()
    table = rows("plain.csv")
    fill(made.active, table)
    volume = table[0].index("volume_ml") + 1
    width = table[0].index("pulse_width_ms") + 1
    for r in range(2, len(table) + 1):
        cell = made.active.cell(r, volume)
        cell.value = f"={cell.value}-10+10"
        cell = made.active.cell(r, width)
        if cell.value is not None:
            cell.value = f"={cell.value * 10}/10"
    return made


def bad_uncomputed():
    return formulas()


def bad_two_sheets():
    made = book("Monday")
    fill(made.active, rows("plain.csv"))
    fill(made.create_sheet("Tuesday's"), rows("plain.csv"))
    return made


def bad_cells():
    """A failed formula's text, a date, a word, a thousand, a stray number and a truth value."""
    made = book()
    table = rows("plain.csv")
    fill(made.active, table)
    sheet = made.active
    sheet["H2"] = "=1/0"
    sheet["H3"].value = datetime.datetime(2026, 5, 2)
    sheet["H3"].number_format = "dd.mm.yyyy"
    sheet["H4"] = "full"
    sheet["E5"] = "2.500"
    sheet["H7"] = True
    sheet["P8"] = 99
    sheet["A9"] = datetime.datetime(2026, 1, 2)
    return made


def bad_header_merged():
    """One name over the columns of two injectors."""
    made = book()
    sheet = made.active
    for cell, text in {"A1": "pulse_width_ms", "B1": "pulses", "C1": "volume_ml", "C2": "A1", "D2": "A2"}.items():
        sheet[cell] = text
    sheet.merge_cells("C1:D1")
    for row in ((2, 1000, 10.5, 10.25), (4, 1000, 22, 21.5)):
        sheet.append(row)
    return made


def bad_merged_amounts():
    made = book()
    fill(made.active, rows("plain.csv"))
    made.active["H3"] = None
    made.active.merge_cells("H2:H3")
    return made


def bad_no_header():
    made = book("Sheet1")
    made.active.append(["A1", 2, 1000, 10.5])
    made.active.append(["A1", 4, 1000, 22])
    made.create_sheet("Empty")
    return made


def bad_unclear_thousand():
    made = book()
    table = rows("plain.csv")
    table[0][table[0].index("volume_ml")] = "volume_mm3"
    fill(made.active, table)
    made.active["H3"] = "66,500"
    return made


BOOKS = {
    "good-openpyxl-plain.xlsx": good_plain,
    "good-openpyxl-titles.xlsx": good_titles,
    "good-openpyxl-text-numbers.xlsx": good_text_numbers,
    "good-openpyxl-merged-ids.xlsx": good_merged_ids,
    "good-openpyxl-wide.xlsx": good_wide,
    "bad-uncomputed.xlsx": bad_uncomputed,
    "bad-two-sheets.xlsx": bad_two_sheets,
    "bad-cells.xlsx": bad_cells,
    "bad-header-merged.xlsx": bad_header_merged,
    "bad-merged-amounts.xlsx": bad_merged_amounts,
    "bad-no-header.xlsx": bad_no_header,
    "bad-unclear-thousand.xlsx": bad_unclear_thousand,
}


def cells(path):
    made = openpyxl.load_workbook(path)
    return {
        sheet.title: (
            sorted(str(m) for m in sheet.merged_cells.ranges),
            [(c.coordinate, c.value) for row in sheet.iter_rows() for c in row if c.value is not None],
        )
        for sheet in made
    }


def big(path):
    """As many rows as a sheet can have, of two injectors in turn."""
    made = openpyxl.Workbook(write_only=True)
    sheet = made.create_sheet("Readings")
    sheet.append(["injector", "voltage_v", "pressure_kpa", "pulse_width_ms", "pulses", "period_ms", "volume_ml", "repeat"])
    for r in range(1_048_575):
        width = 1.5 + 0.5 * (r // 2 % 8)
        sheet.append(["AB"[r % 2], 14, 300, width, 1000, 20, round(4.2 * (width - 0.7) + 0.01 * (r % 7), 2), 1 + r // 16])
    made.save(path)


def main():
    if "--big" in sys.argv:
        return big(sys.argv[sys.argv.index("--big") + 1])
    if "--check" not in sys.argv:
        TARGET.mkdir(exist_ok=True)
        for name, make in BOOKS.items():
            make().save(TARGET / name)
        formulas().save(TARGET / "formulas-source.xlsx")
        return None
    different = []
    with tempfile.TemporaryDirectory() as scratch:
        for name, make in BOOKS.items():
            path = pathlib.Path(scratch) / name
            make().save(path)
            if not (TARGET / name).exists() or cells(path) != cells(TARGET / name):
                different.append(name)
    if different:
        sys.exit(f"tests/workbooks differs from what this script writes: {', '.join(different)}")
    print(f"{len(BOOKS)} workbooks hold the cells that openpyxl {openpyxl.__version__} writes")
    return None


if __name__ == "__main__":
    main()
