"""A reader study: blinded sheets in shuffled order with planted repeats, and the way back."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from ongrowth.files import new_file, write_text
from ongrowth.reading import Cut, ImplantReading, read_reading
from ongrowth.reports.template import fill_template
from ongrowth.scan import refuse
from ongrowth.tidy import need_columns, numbers, texts
from ongrowth.wording import fixed_words

FORM_COLUMNS = ("item", "side", "quantity", "value", "unit", "category", "reader", "remark")
KEY_COLUMNS = ("item", "occasion", "case", "scan", "implant")
_MOST_MM = 15.0  # three times as far as a halo is looked for: more is another unit
_ASKED = (  # side, quantity, unit, largest value that can be meant
    ("head_side", "mean_width", "mm", _MOST_MM),
    ("tip_side", "mean_width", "mm", _MOST_MM),
    ("defect", "bridged_fraction", "", 1.0),
)
BRIDGING_CATEGORIES = ("none", "below 25 %", "25 to 50 %", "above 50 %")
_APART = 5  # items between a picture and its repeat, where there are enough


@dataclass(frozen=True, slots=True)
class Item:
    """One sheet: its code, whose screw it shows, and which time it is shown."""

    code: str
    occasion: int
    case: str
    scan: str
    implant: str


def draw_items(
    screws: Sequence[tuple[str, str, str]], *, repeat_share: float = 0.2, seed: int = 1
) -> tuple[Item, ...]:
    """Return screws in a shuffled order under new codes, some of them twice.

    Parameters
    ----------
    screws : sequence of (case, scan, implant)
        What is to be read.
    repeat_share : float
        Share that is shown again, 0..1.
    seed : int
        The same seed gives the same order.

    Notes
    -----
    A repeat comes at least five items after its first showing where there are enough items.
    """
    rng = np.random.default_rng(seed)
    order = list(rng.permutation(len(screws)))
    n_repeats = round(repeat_share * len(screws))
    shown = order.copy()
    for k in sorted(order[:n_repeats], key=order.index):
        earliest = min(shown.index(k) + 1 + _APART, len(shown))
        shown.insert(int(rng.integers(earliest, len(shown) + 1)), k)
    codes = rng.permutation(len(shown)) + 1
    seen: set[int] = set()
    items = []
    for code, k in zip(codes, shown, strict=True):
        items.append(Item(f"R{code:04d}", 2 if k in seen else 1, *screws[k]))
        seen.add(k)
    return tuple(items)


def write_kit(
    cohort: Path, kit: Path, *, repeat_share: float = 0.2, n_most: int = 0, seed: int = 1
) -> tuple[Item, ...]:
    """Write what readers get, and beside it the key that they do not get.

    Parameters
    ----------
    cohort : Path
        Output folder of a cohort.
    kit : Path
        Folder to write: ``readers/`` with ``sheets.html`` and ``form.csv`` to be handed out,
        ``key.csv`` to be kept.
    repeat_share : float
        Share of screws shown twice.
    n_most : int
        Draw at most so many screws; 0: all.
    seed : int
        Of drawing, order and codes.

    Raises
    ------
    Refused
        Code ``no-pictures`` if no CT of the cohort has stored pictures; ``study-there`` if the folder holds a
        study already, whose forms would be worth nothing without its key.
    """
    key = kit / "key.csv"
    if key.exists():
        raise refuse(
            "study-there",
            f"{kit} holds a reader study already; its forms cannot be read without its key.",
            "Choose another --out folder.",
        )
    screws = _screws(cohort)
    if n_most and n_most < len(screws):
        chosen = np.random.default_rng([seed, 2]).choice(len(screws), n_most, replace=False)
        screws = [screws[k] for k in sorted(chosen)]
    if not screws:
        raise _no_pictures()
    items = draw_items(screws, repeat_share=repeat_share, seed=seed)
    sheets = [(item, _implant(cohort, item)) for item in items]
    if not any(implant.cuts for _, implant in sheets):
        raise _no_pictures()
    write_text(kit / "readers" / "sheets.html", _sheets(sheets))
    form = [
        (i.code, side, quantity, "", unit, "", "", "") for i in items for side, quantity, unit, _ in _ASKED
    ]
    write_text(kit / "readers" / "form.csv", _csv(FORM_COLUMNS, form))
    rows = [(i.code, str(i.occasion), i.case, i.scan, i.implant) for i in items]
    with new_file(key) as part:
        part.chmod(0o600)  # before a word stands in it
        part.write_text(_csv(KEY_COLUMNS, rows), encoding="utf-8")
    return items


def _no_pictures() -> Exception:
    return refuse(
        "no-pictures",
        "The cohort holds no pictures of screws.",
        "Give the --out folder of a finished `ongrowth cohort` run.",
    )


def _screws(cohort: Path) -> list[tuple[str, str, str]]:
    """Return the screws of a cohort whose readings are stored."""
    wide = cohort / "wide.parquet"
    if not wide.is_file():
        raise _no_pictures()
    names = pd.read_parquet(wide, columns=["case", "scan", "implant"]).astype(str)
    rows = names.itertuples(index=False, name=None)
    return [(c, s, i) for c, s, i in rows if i and (cohort / "scans" / c / s / "reading.json").is_file()]


def _implant(cohort: Path, item: Item) -> ImplantReading:
    reading = read_reading(cohort / "scans" / item.case / item.scan)
    return next(implant for implant in reading.implants if implant.id == item.implant)


def _csv(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([head, *rows])
    return text.getvalue()


def _sheets(sheets: Sequence[tuple[Item, ImplantReading]]) -> str:
    """Return the sheets as one page: three cuts each, without any figure of ours."""
    from markupsafe import Markup

    shown = [
        {"code": item.code, "cuts": [Markup(_picture(cut)) for cut in implant.cuts]}
        for item, implant in sheets
    ]
    view = {"items": shown, "categories": BRIDGING_CATEGORIES, "words": fixed_words()}
    return fill_template("ongrowth.cohort", "sheets.html", view)


def _picture(cut: Cut) -> str:
    """Return a cut in a bone window with a scale in mm; of our measuring it shows but where it was cut."""
    from ongrowth.reports.drawing import svg_of
    from ongrowth.reports.figures import BONE_WINDOW_HU

    extent = (cut.right_mm[0], cut.right_mm[-1], cut.down_mm[-1], cut.down_mm[0])
    is_across = cut.name == "across"

    def draw(axes: object) -> None:
        low, high = BONE_WINDOW_HU
        axes.imshow(cut.hu, cmap="gray", vmin=low, vmax=high, extent=extent, interpolation="nearest")  # type: ignore[attr-defined]
        axes.set_xlabel("mm" if is_across else "mm along the screw, from the head")  # type: ignore[attr-defined]

    words = "cut across the screw" if is_across else "cut along the screw"
    return svg_of(draw, words, (60.0, 60.0) if is_across else (110.0, 60.0))


def is_form(table: pd.DataFrame) -> bool:
    """Whether a table is a form of a reader study, which tells nothing without the key."""
    return set(FORM_COLUMNS) <= set(table.columns)


def unblind(forms: Sequence[pd.DataFrame], key: pd.DataFrame) -> pd.DataFrame:
    """Return what readers wrote with the screws it belongs to.

    Parameters
    ----------
    forms : sequence of DataFrame
        Forms filled in, one or several readers. A form that names one reader anywhere is that reader's.
    key : DataFrame
        The key kept back.

    Returns
    -------
    DataFrame
        Long table with the columns case, scan, implant, side, quantity, reader, occasion, value, category.

    Raises
    ------
    Refused
        Code ``missing-column``, ``no-rows``, ``not-of-this-key``, ``no-reader``, ``bad-value``,
        ``bad-category`` or ``read-twice``.
    """
    need_columns(key, KEY_COLUMNS)
    form = pd.concat([_filled(form) for form in forms], ignore_index=True)
    if form.empty:
        raise refuse("no-rows", "No row of the forms is filled in.", "Give the forms that came back.")
    strange = sorted(set(form["item"]) - set(key["item"]))
    if strange:
        raise refuse(
            "not-of-this-key",
            f"The key does not know {', '.join(map(str, strange[:5]))}.",
            "Take the key that was written with these forms.",
        )
    twice = form[form.duplicated(["item", "side", "quantity", "reader"])]
    if len(twice):
        raise refuse(
            "read-twice",
            f"Reader {twice['reader'].iloc[0]} has filled {twice['item'].iloc[0]} in two rows.",
            "Give each form once, and each reader a code of their own.",
        )
    told = form.merge(key, on="item", validate="many_to_one")
    return told.sort_values(["reader", "occasion"], kind="stable", ignore_index=True)


def _filled(form: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a form that were filled in, every cell read as what it should be."""
    need_columns(form, ["item", "side", "quantity", "value", "category", "reader"])
    words = {name: texts(form, name) for name in ("item", "category", "reader")}
    form = form.assign(**words, value=numbers(form, "value"))
    readers = sorted(set(form["reader"]) - {""})
    if len(readers) == 1:
        form = form.assign(reader=readers[0])
    filled = form[form["value"].notna() | (form["category"] != "")]
    if (filled["reader"] == "").any():
        raise refuse("no-reader", "Some filled rows name no reader.", "Fill the column reader.")
    _must_be_possible(filled)
    return filled.assign(category=list(map(_known_category, filled["item"], filled["category"])))


def _must_be_possible(form: pd.DataFrame) -> None:
    """Refuse widths and shares that cannot be meant so, for example those of another unit."""
    largest = {quantity: most for _, quantity, _, most in _ASKED}
    wrong = form[(form["value"] < 0.0) | (form["value"] > form["quantity"].map(largest).astype(float))]
    if len(wrong):
        row = wrong.iloc[0]
        raise refuse(
            "bad-value",
            f"{row['item']}, {row['quantity']}: {row['value']:g} is not between 0 and "
            f"{largest[row['quantity']]:g}.",
            "Widths are in mm; how much is bridged goes into the column category.",
        )


def _known_category(item: str, word: str) -> str:
    """Return the category of a sheet as we write it, whatever blanks and capitals it was typed with."""
    if not word:
        return ""
    plain = {"".join(known.lower().split()): known for known in BRIDGING_CATEGORIES}
    try:
        return plain["".join(word.lower().split())]
    except KeyError:
        raise refuse(
            "bad-category",
            f"{item}: {word!r} is none of the categories.",
            f"Write one of: {', '.join(BRIDGING_CATEGORIES)}.",
        ) from None


def with_tool(read: pd.DataFrame, scans: pd.DataFrame) -> pd.DataFrame:
    """Return the readers' table with our own values of the same places as one more reader, "tool".

    Parameters
    ----------
    read : DataFrame
        As `unblind` returns it.
    scans : DataFrame
        Long table of the cohort.
    """
    keys = ["case", "scan", "implant", "side", "quantity"]
    need_columns(scans, [*keys, "value"])
    asked = read[keys].drop_duplicates()
    own = scans[[*keys, "value"]].astype(dict.fromkeys(keys, str)).merge(asked.astype(str), on=keys)
    own = own.assign(
        reader="tool",
        occasion=1,
        category=[_category(q, v) for q, v in zip(own["quantity"], own["value"], strict=True)],
    )
    return pd.concat([read, own], ignore_index=True)


def _category(quantity: str, value: float) -> str:
    """Return the bridging category that readers would tick for a fraction; nothing for other quantities."""
    if quantity != "bridged_fraction" or not np.isfinite(value):
        return ""
    limits = (0.0, 0.25, 0.5)
    return BRIDGING_CATEGORIES[sum(value > limit for limit in limits)]
