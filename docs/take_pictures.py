"""Take the pictures of the page kept in this folder: a phantom, the whole chain, headless Chromium.

python docs/take_pictures.py [phantom]
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

from PIL import Image

PICTURES = Path(__file__).parent / "pictures"
ONGROWTH = Path(sys.executable).with_name("ongrowth")  # the command of the Python that runs this
CHROMIUM = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"]
DOTS_PER_INCH = 96


def run(*command: str | Path) -> None:
    """Run a command; its failure ends the script."""
    subprocess.run([str(part) for part in command], check=True, stdout=subprocess.DEVNULL)


def make_page(phantom: str, folder: Path) -> Path:
    """Return the page of a phantom measured by `follow`."""
    run(ONGROWTH, "phantom", phantom, "--out", folder / "in")
    case_file = next((folder / "in").rglob("case.toml"))
    run(ONGROWTH, "follow", case_file, "--out", folder / "out")
    return folder / "out" / "page.html"


def take(page: Path, folder: Path) -> None:
    """Write the printed pages, the first view on a desk and on a phone."""
    run(*CHROMIUM, "--no-pdf-header-footer", f"--print-to-pdf={folder / 'page.pdf'}", page.as_uri())
    run("pdftoppm", "-r", str(DOTS_PER_INCH), "-png", folder / "page.pdf", folder / "sheet")
    sheets = sorted(folder.glob("sheet-*.png"))
    for name, sheet in zip(("page-answer", "page-screw"), sheets, strict=False):
        keep(sheet, name)
    for name, size in (("page-desk", "1280,900"), ("page-phone", "390,844")):
        shot = folder / f"{name}.png"
        run(*CHROMIUM, f"--window-size={size}", f"--screenshot={shot}", page.as_uri())
        keep(shot, name)


def keep(picture: Path, name: str) -> None:
    """Keep a picture with few colours, rare ones among them: small, and the yellow lines stay yellow."""
    PICTURES.mkdir(exist_ok=True)
    seen = Image.open(picture).convert("RGB")
    seen.quantize(256, method=Image.Quantize.FASTOCTREE).save(PICTURES / f"{name}.png", optimize=True)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        take(make_page(sys.argv[1] if len(sys.argv) > 1 else "one-sided", Path(scratch)), Path(scratch))
