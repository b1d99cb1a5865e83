"""The library's kept interface as a list: interface.py [--record | --check].

Reads what `cargo doc --no-deps` wrote. One line for each item that the kept modules and the crate's root show, with its
fields, variants and functions. Without an option the list is printed; `--record` writes docs/interface.txt; `--check`
fails where the program shows something else than that file says.
"""

import argparse
import difflib
import pathlib
import re
import sys

ROOT = pathlib.Path(__file__).resolve().parent.parent
KEPT = ["", "capture", "characterisation", "finding", "units"]
PARTS = {"structfield": "field", "variant": "variant", "method": "function", "tymethod": "function"}


def items(folder):
    """Kind, name and page of the items of a module's page."""
    page = (folder / "index.html").read_text(encoding="utf-8")
    links = re.findall(r'href="((\w+)\.(\w+)\.html)"', page)
    return sorted({(kind, name, folder / link) for link, kind, name in links})


def parts(page):
    """Fields, variants and functions of an item's own: what traits bring is on every page alike."""
    text = page.read_text(encoding="utf-8")
    own = text.split('id="trait-implementations"')[0].split('id="deref-methods')[0]
    found = re.findall(r'id="(structfield|variant|method|tymethod)\.(\w+)"', own)
    return sorted({(PARTS[kind], name) for kind, name in found})


def listed():
    documented = ROOT / "target" / "doc" / "meniscus"
    if not documented.is_dir():
        sys.exit("run cargo doc --no-deps first")
    lines = []
    for module in KEPT:
        for kind, name, page in items(documented / module):
            if kind == "index" or not page.exists():
                continue
            lines.append(f"{kind} {module}::{name}" if module else f"{kind} {name}")
            lines += [f"    {part} {own}" for part, own in parts(page)]
    return lines


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--record", action="store_true")
    what.add_argument("--check", action="store_true")
    asked = parser.parse_args()
    file, now = ROOT / "docs" / "interface.txt", listed()
    if asked.record:
        file.write_text("\n".join(now) + "\n", encoding="utf-8")
    elif asked.check:
        changes = list(difflib.unified_diff(file.read_text(encoding="utf-8").splitlines(), now, "kept", "shown", lineterm="", n=0))
        print("\n".join(changes) or f"{len(now)} lines, as docs/interface.txt")
        sys.exit(bool(changes))
    else:
        print("\n".join(now))


if __name__ == "__main__":
    main()
