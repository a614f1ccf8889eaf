#!/usr/bin/env python3
"""The letters as a reader gets them: through the command line, as PDF, HTML and JSON.

    letters.py BASE SPONDYL FOLDER

Every PDF must open in poppler, have selectable text, embedded fonts and 1 or 2 pages, and render to a picture with
ink on it; what stands in the JSON document's title must stand in the PDF and the HTML.
"""
import json
import re
import subprocess
import sys
from pathlib import Path

import requests

PASSED, FAILED = [], []


def check(name, holds):
    (PASSED if holds else FAILED).append(name)
    if not holds:
        print(f"FAIL {name}")


def run(*words):
    return subprocess.run(words, check=True, capture_output=True).stdout


def letter(spondyl, base, episode, form, file):
    run(spondyl, "letter", episode, "--format", form, "-o", str(file), "--server", base)
    return file.read_bytes()


def main():
    base, spondyl, folder = sys.argv[1].rstrip("/"), sys.argv[2], Path(sys.argv[3])
    found = requests.get(f"{base}/EpisodeOfCare?_count=100", timeout=60).json()
    for episode in [entry["resource"]["id"] for entry in found["entry"]]:
        pdf = folder / f"{episode}.pdf"
        check(f"{episode} is a PDF", letter(spondyl, base, episode, "pdf", pdf).startswith(b"%PDF-"))
        info = run("pdfinfo", str(pdf)).decode()
        pages = int(re.search(r"Pages:\s+(\d+)", info).group(1))
        check(f"{episode} has few pages ({pages})", 1 <= pages <= 2)
        check(f"{episode} is tagged", re.search(r"Tagged:\s+yes", info) is not None)
        fonts = run("pdffonts", str(pdf)).decode().splitlines()[2:]
        check(f"{episode} embeds its fonts", fonts and all(" yes " in font for font in fonts))
        text = " ".join(run("pdftotext", "-layout", str(pdf), "-").decode().split())
        html = letter(spondyl, base, episode, "html", folder / f"{episode}.html").decode()
        bundle = json.loads(letter(spondyl, base, episode, "json", folder / f"{episode}.json"))
        composition = bundle["entry"][0]["resource"]
        title = composition["title"].split(":")[0]
        check(f"{episode} has its title everywhere", title in text and title in html)
        check(f"{episode} carries the cautions", "not medical advice" in text and "not medical advice" in html)
        run("pdftoppm", "-r", "40", "-gray", str(pdf), str(folder / episode))
        for picture in folder.glob(f"{episode}-*.pgm"):
            pixels = picture.read_bytes()[20:]
            ink = sum(1 for pixel in pixels if pixel < 128) / len(pixels)
            check(f"{picture.name} has ink ({ink:.3f})", 0.001 < ink < 0.5)
    print(f"letters: {len(PASSED)} passed, {len(FAILED)} failed")
    sys.exit(0 if PASSED and not FAILED else 1)


if __name__ == "__main__":
    main()
