"""A reader's own reading: entered and locked before ours is shown, if the reader comes first."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from qtpy.QtWidgets import QComboBox, QGridLayout, QGroupBox, QLabel, QLineEdit, QPushButton

from ongrowth.casefile import ReaderEntry
from ongrowth.findings import category_words
from ongrowth.quantity import Measured, Unit
from ongrowth.reading import Against
from ongrowth.wording import HALO_SIDES, side_words
from ongrowth_napari.desk import Desk

# the published categories, each with its range
BRIDGING = ("", *(category_words(Measured.of(share, 0.0, Unit.ONE)) for share in (0.1, 0.3, 0.6, 0.9)))
_RESULTS = ("", *(word.value for word in Against))


class ReaderForm:
    """The form: a caliper width on each side, the bridging category, each against its window."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.reader = QLineEdit()
        self.reader.setPlaceholderText("your pseudonym")
        self.widths = {side: QLineEdit() for side in HALO_SIDES}
        self.results = {side: _choice(_RESULTS) for side in (*HALO_SIDES, "defect")}
        self.bridging = _choice(BRIDGING)
        self.lock = QPushButton("Lock my reading, show the figures")
        self.names = {side: QLabel("") for side in HALO_SIDES}
        self.told = QLabel("")
        self.told.setWordWrap(True)
        self._of = self._screw()
        self.widget = QGroupBox("Your own reading first")
        self.widget.setLayout(self._grid())
        self.lock.clicked.connect(self.take)

    def _grid(self) -> QGridLayout:
        grid = QGridLayout()
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(2, 1)
        for column, word in enumerate(("", "read", "result")):
            grid.addWidget(QLabel(word), 0, column)
        for row, side in enumerate(HALO_SIDES, start=1):
            self.widths[side].setPlaceholderText("width, mm")
            grid.addWidget(self.names[side], row, 0)
            grid.addWidget(self.widths[side], row, 1)
            grid.addWidget(self.results[side], row, 2)
        grid.addWidget(QLabel("bridged"), 3, 0)
        grid.addWidget(self.bridging, 3, 1)
        grid.addWidget(self.results["defect"], 3, 2)
        grid.addWidget(QLabel("reader"), 4, 0)
        grid.addWidget(self.reader, 4, 1, 1, 2)
        grid.addWidget(self.lock, 5, 0, 1, 3)
        grid.addWidget(self.told, 6, 0, 1, 3)
        return grid

    def refresh(self) -> None:
        """Show the form while the reader's own values are awaited, else out of the way."""
        self._begin_anew()
        self.widget.setVisible(not self.desk.is_shown)
        site = self.desk.session.case.patient.site
        for side, label in self.names.items():
            label.setText(side_words(side, site).split(" (")[0])
        self.lock.setEnabled(self.desk.navigator is not None)

    def _screw(self) -> tuple[Path, str, str]:
        """Return what is read: the case, its scan, and the screw, "" before one is known."""
        return self.desk.session.path, self.desk.session.scan_id, self.desk.screw_id

    def _begin_anew(self) -> None:
        """Take what was entered of another scan or screw out of the form."""
        before, self._of = self._of, self._screw()
        if before[:2] == self._of[:2] and before[2] in ("", self._of[2]):
            return
        for width in self.widths.values():
            width.clear()
        for choice in (*self.results.values(), self.bridging):
            choice.setCurrentIndex(0)
        self.told.setText("")

    def take(self) -> None:
        """Lock what was entered; a faulty number is told and nothing is locked."""
        try:
            entries = self.entries()
        except ValueError as error:
            self.told.setText(str(error))
            return
        self.told.setText("" if entries else "Enter at least one value of your own.")
        if entries:
            self.desk.lock(entries)

    def entries(self) -> list[ReaderEntry]:
        """Return what was entered, in the words of the case file.

        Raises
        ------
        ValueError
            If a width is no number of millimetres, or there is no pseudonym.
        """
        reader = self.reader.text().strip()
        if not reader:
            raise ValueError("Enter a pseudonym.")
        out: list[ReaderEntry] = []
        for side in HALO_SIDES:
            value, result = width_of(self.widths[side].text()), self.results[side].currentText()
            if not math.isnan(value) or result:
                told = None if math.isnan(value) else value
                out.append(self._entry(reader, "mean_width", side, value=told, against_window=result))
        category, result = self.bridging.currentText().split(" (")[0], self.results["defect"].currentText()
        if category or result:
            more: dict[str, Any] = {"category": category, "against_window": result}
            out.append(self._entry(reader, "bridged_fraction", "defect", **more))
        return out

    def _entry(self, reader: str, quantity: str, side: str, **told: Any) -> ReaderEntry:
        fields = {"id": reader, "implant": self.desk.screw_id, "quantity": quantity, "side": side, **told}
        return ReaderEntry.model_validate(fields)


def width_of(text: str) -> float:
    """Return a width in mm as typed, with point or comma; NaN for nothing.

    Raises
    ------
    ValueError
        With a sentence, if it is no width.

    Examples
    --------
    >>> width_of(" 0,8 mm"), width_of("1.2")
    (0.8, 1.2)
    """
    bare = text.strip().removesuffix("mm").strip().replace(",", ".")
    if not bare:
        return math.nan
    try:
        value = float(bare)
    except ValueError:
        value = math.nan
    if not 0.0 <= value <= 20.0:
        raise ValueError(f"{text.strip()!r} is no width in millimetres.")
    return value


def _choice(words: tuple[str, ...]) -> QComboBox:
    combo = QComboBox()
    combo.addItems(list(words))
    # as narrow as the panel: the list that opens is as wide as its words
    combo.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    combo.setMinimumContentsLength(5)
    return combo
