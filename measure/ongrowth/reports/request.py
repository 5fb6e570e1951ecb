"""The sheet that asks the radiology department for a CT that can be measured."""

from __future__ import annotations

import textwrap
from html import escape

from ongrowth.wording import fixed_words

_WIDTH = 72

_UNREDUCED = (
    "The series WITHOUT metal artefact reduction. If a reduced series is made, send both: "
    "reduced series are published to draw false lines beside implants."
)
_ASKED = (
    ("Region", "One level only{site}, from just above the screw head to 1 cm beyond the tip."),
    ("Slices", "0.75 mm or thinner, no gaps, every slice."),
    ("Field of view", "Small, 10 to 15 cm, so that a pixel is 0.3 mm or smaller."),
    ("Kernel", "A sharp bone kernel, the same one at every visit."),
    ("CT numbers", "The extended scale, above 3071 HU, where the scanner offers it."),
    ("Metal", _UNREDUCED),
    (
        "Algorithm",
        "The same reconstruction and strength at every visit; filtered back-projection if free to choose.",
    ),
    (
        "Position",
        "Tilt the patient or table, not the gantry, so that the screw does not lie in the slice plane.",
    ),
    ("Dose", "As low as the local protocol for this age asks. The dose report is welcome."),
    ("Export", "The original axial DICOM slices, not reformats, captures or lossy copies."),
)
_CALIBRATION = (
    "Once for each protocol: a screw of the same kind, or a metal rod, in a bottle of water, "
    "scanned with the same settings; a CT of this patient's first days with these settings serves too. "
    "The halo is then measured with a smaller uncertainty."
)
_MAR_SOURCE = "False lines in metal-reduced series: doi:10.1177/0284185120903446."


def render_request(site: str = "", *, as_page: bool = False) -> str:
    """Return the request as text of 72 columns, or as a printable HTML page.

    Parameters
    ----------
    site : str
        Level to be scanned, for example "L5".
    as_page : bool
        HTML instead of text.
    """
    asked = [(name, text.format(site=f" ({site})" if site else "")) for name, text in _ASKED]
    return _page(asked) if as_page else _text(asked)


def _text(asked: list[tuple[str, str]]) -> str:
    lines = ["REQUEST FOR A CT OF A BONE SCREW", ""]
    for name, text in asked:
        lines += textwrap.wrap(text, _WIDTH, initial_indent=f"{name + ':':15}", subsequent_indent=" " * 15)
    for text in (_CALIBRATION, _MAR_SOURCE, fixed_words().short):
        lines += ["", *textwrap.wrap(text, _WIDTH)]
    return "\n".join(lines) + "\n"


def _page(asked: list[tuple[str, str]]) -> str:
    rows = "\n".join(f"<tr><th scope='row'>{escape(n)}</th><td>{escape(t)}</td></tr>" for n, t in asked)
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Request for a CT of a bone screw</title>
<style>
@page {{ size: A4 portrait; margin: 18mm; }}
body {{ font: 11pt/1.4 "DejaVu Sans", Arial, sans-serif; }}
body {{ max-width: 46rem; margin: 1rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.5em; }}
table {{ border-collapse: collapse; }}
th, td {{ text-align: left; vertical-align: top; padding: 0.3rem 1rem 0.3rem 0; }}
th {{ white-space: nowrap; }}
tr {{ border-bottom: 1px solid #999; }}
</style>
</head>
<body>
<h1>Request for a CT of a bone screw</h1>
<table>
{rows}
</table>
<p>{escape(_CALIBRATION)}</p>
<p>{escape(_MAR_SOURCE)}</p>
<p>{escape(fixed_words().short)}</p>
</body>
</html>
"""
