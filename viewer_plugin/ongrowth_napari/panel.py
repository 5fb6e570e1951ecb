"""The window's own parts: the panel beside the canvas and the table under the map. They compute nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import Qt, QTimer
from qtpy.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QGridLayout,
    QGroupBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from ongrowth.findings import screw_name
from ongrowth.wording import fixed_words, weeks_words
from ongrowth_napari.desk import Desk
from ongrowth_napari.reader_form import ReaderForm
from ongrowth_napari.session import in_words
from ongrowth_napari.stage import SCENES, WINDOWS_HU
from ongrowth_napari.table_widget import TableWidget

PANEL_WIDTH = 345
TICK_MS = 100
_NOTHING_OVER = "nothing"


class Panel:
    """The panel beside the canvas: what is open, measuring, correcting, saving, the reader's own values."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.table = TableWidget(desk)
        self.scans, self.screws, self.scenes = QComboBox(), QComboBox(), QComboBox()
        self.windows, self.over = QComboBox(), QComboBox()
        self.open_case, self.open_ct = QPushButton("Open case ..."), QPushButton("Open CT ...")
        self.layer_lists = QCheckBox("lists of layers")
        self.measure, self.cancel = QPushButton("Measure"), QPushButton("Cancel")
        self.progress, self.status = QProgressBar(), _wrapped("")
        self.undo, self.redo = QPushButton("Undo"), QPushButton("Redo")
        self.leave_out, self.artefact = QPushButton("Leave out"), QPushButton("Artefact")
        self.plane_here = QPushButton("Defect here")
        self.take_back, self.save = QPushButton("Take back"), QPushButton("Save")
        self.remark_button = QPushButton("Add")
        self.remark, self.author = QLineEdit(), QLineEdit(desk.author)
        self.corrections = QListWidget()
        self.form = ReaderForm(desk)
        self.guard: Any = None  # kept alive as long as the panel
        self.widget = _scrolled(self._column())
        self._connect()
        desk.on_change = self.refresh
        desk.on_cursor = self.table.show_place
        self._timer = QTimer(self.widget)
        self._timer.setInterval(TICK_MS)
        self._timer.timeout.connect(desk.tick)
        self._timer.start()

    # ---- laying out ----

    def _column(self) -> QWidget:
        column, layout = QWidget(), QVBoxLayout()
        for part in (self._open_box(), self._measure_box(), self.form.widget, self._correct_box()):
            layout.addWidget(part)
        layout.addStretch(1)
        layout.addWidget(_wrapped(fixed_words().short, small=True))
        column.setLayout(layout)
        return column

    def _open_box(self) -> QGroupBox:
        grid = QGridLayout()
        grid.addLayout(_row(self.open_case, self.open_ct), 0, 0, 1, 2)
        for row, (name, widget) in enumerate(
            (
                ("Scan", self.scans),
                ("Screw", self.screws),
                ("Show", self.scenes),
                ("Window", self.windows),
                ("Lay over", self.over),
            ),
            start=1,
        ):
            grid.addWidget(QLabel(name), row, 0)
            grid.addWidget(widget, row, 1)
        grid.addWidget(self.layer_lists, 6, 1)
        grid.setColumnStretch(1, 1)
        self.scenes.addItems(list(SCENES.values()))
        self.windows.addItems(list(WINDOWS_HU))
        return _box("Open", grid)

    def _measure_box(self) -> QGroupBox:
        column = QVBoxLayout()
        column.addLayout(_row(self.measure, self.cancel))
        self.progress.setTextVisible(False)
        self.progress.setFixedHeight(8)
        column.addWidget(self.progress)
        column.addWidget(self.status)
        return _box("Measure", column)

    def _correct_box(self) -> QGroupBox:
        column = QVBoxLayout()
        column.addWidget(
            _wrapped(
                "Drag the orange points on the cut along: ends slide along the screw (Ctrl: freely), two "
                "points tilt the defect plane. Shift and drag: a caliper on the cuts, a box on the map.",
                small=True,
            )
        )
        column.addLayout(_row(self.leave_out, self.artefact, self.plane_here))
        self.corrections.setMinimumHeight(70)
        self.corrections.setMaximumHeight(110)
        self.corrections.setWordWrap(True)
        column.addWidget(self.corrections)
        column.addLayout(_row(self.undo, self.redo, self.take_back))
        self.remark.setPlaceholderText("a remark, or the reason of the next correction")
        column.addLayout(_row(self.remark, self.remark_button))
        column.addLayout(_row(QLabel("Author"), self.author, self.save))
        self.leave_out.setToolTip("The box drawn on the map, else the sector at the cursor: not measured.")
        self.artefact.setToolTip("The same, marked as artefact.")
        self.plane_here.setToolTip("The plane of the defect goes to the depth of the cursor.")
        self.take_back.setToolTip("Take back the correction chosen in the list, saved or not.")
        return _box("Correct", column)

    # ---- wiring ----

    def _connect(self) -> None:
        desk = self.desk
        self.open_case.clicked.connect(lambda: _with(choose_case(self.widget), desk.open_case))
        self.open_ct.clicked.connect(lambda: _with(choose_ct(self.widget), desk.open_ct))
        self.scans.activated.connect(lambda n: desk.open_scan(self.scans.itemData(n)))
        self.screws.activated.connect(lambda n: desk.show_screw(self.screws.itemData(n)))
        self.scenes.activated.connect(lambda n: desk.show_scene(list(SCENES)[n]))
        self.windows.activated.connect(lambda n: desk.set_window(list(WINDOWS_HU)[n]))
        self.over.activated.connect(lambda n: desk.lay_over(self.over.itemData(n)))
        self.measure.clicked.connect(desk.measure)
        self.cancel.clicked.connect(desk.cancel)
        self.undo.clicked.connect(desk.undo)
        self.redo.clicked.connect(desk.redo)
        self.save.clicked.connect(desk.save)
        self.leave_out.clicked.connect(lambda: self._leave_out("left_out"))
        self.artefact.clicked.connect(lambda: self._leave_out("artefact"))
        self.plane_here.clicked.connect(self._plane_here)
        self.take_back.clicked.connect(self._take_back)
        self.remark_button.clicked.connect(self._add_remark)
        self.remark.returnPressed.connect(self._add_remark)
        self.author.textChanged.connect(self._set_author)

    def _set_author(self, name: str) -> None:
        self.desk.author = name.strip()
        self.save.setEnabled(bool(self.desk.session.pending) and bool(self.desk.author))

    def _leave_out(self, part: str) -> None:
        self.desk.leave_out(part, self.remark.text().strip())
        self.remark.clear()

    def _plane_here(self) -> None:
        self.desk.plane_here(self.remark.text().strip())
        self.remark.clear()

    def _add_remark(self) -> None:
        self.desk.remark(self.remark.text())
        self.remark.clear()

    def _take_back(self) -> None:
        item = self.corrections.currentItem()
        if item is not None:
            self.desk.take_back(item.data(Qt.ItemDataRole.UserRole))

    # ---- showing ----

    def refresh(self) -> None:
        """Show how things stand."""
        desk = self.desk
        case = desk.session.case
        scans = [(f"{s.name}{_week_words(case.weeks_of(s))}", s.name) for s in case.scan]
        _fill(self.scans, scans, desk.session.scan_id)
        implants = desk.reading.implants if desk.reading is not None else ()
        _fill(self.screws, [(screw_name(one), one.id) for one in implants], desk.screw_id)
        _fill(self.over, [(_NOTHING_OVER, ""), *((name, name) for name in desk.others())], desk.over_id)
        self.scenes.setCurrentIndex(list(SCENES).index(desk.stage.scene))
        self.measure.setText("Measure" if desk.reading is None else "Measure again")
        self.measure.setEnabled(desk.scan is not None and not desk.is_measuring)
        self.cancel.setEnabled(desk.is_measuring)
        self.progress.setRange(0, 0 if desk.is_measuring or desk.is_reading else 1)
        self.status.setText(desk.status)
        self.status.setToolTip("\n".join(desk.problems))
        for button in (self.leave_out, self.artefact):
            button.setEnabled(desk.navigator is not None)
        self.plane_here.setEnabled(desk.navigator is not None and desk.is_shown)
        self.undo.setEnabled(bool(desk.session.pending))
        self.redo.setEnabled(bool(desk.session.undone))
        self._set_author(self.author.text())
        self._list_corrections()
        self.form.refresh()
        self.table.refresh()

    def _list_corrections(self) -> None:
        row = self.corrections.currentRow()
        self.corrections.clear()
        n_saved = len(self.desk.session.scan.correction) - len(self.desk.session.pending)
        for n, entry in enumerate(self.desk.session.scan.correction):
            when = f"{entry.time:%Y-%m-%d %H:%M}" if entry.time else ""
            told = f"{entry.author} {when}".strip() if n < n_saved else "not saved"
            item = QListWidgetItem(f"{in_words(entry)}  [{told}]")
            item.setData(Qt.ItemDataRole.UserRole, entry.what)
            self.corrections.addItem(item)
        self.corrections.setCurrentRow(row)
        self.corrections.scrollToBottom()


def choose_case(parent: QWidget) -> Path | None:
    """Ask for a case file; None if none was chosen."""
    name, _ = QFileDialog.getOpenFileName(parent, "Case file", "", "Case files (*.toml)")
    return Path(name) if name else None


def choose_ct(parent: QWidget) -> Path | None:
    """Ask for the folder of a CT; None if none was chosen."""
    name = QFileDialog.getExistingDirectory(parent, "Folder of a CT")
    return Path(name) if name else None


def _with(path: Path | None, do: Callable[[Path], None]) -> None:
    if path is not None:
        do(path)


def _week_words(weeks: float) -> str:
    return "" if math.isnan(weeks) else f", {weeks_words(weeks)}"


def _fill(combo: QComboBox, items: list[tuple[str, str]], chosen: str) -> None:
    if [(combo.itemText(n), combo.itemData(n)) for n in range(combo.count())] != items:
        combo.clear()
        for text, data in items:
            combo.addItem(text, data)
    index = combo.findData(chosen)
    if index >= 0:
        combo.setCurrentIndex(index)
    combo.setEnabled(combo.count() > 0)


def _wrapped(text: str, *, small: bool = False) -> QLabel:
    label = QLabel(text)
    label.setWordWrap(True)
    label.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    if small:
        font = label.font()
        font.setPointSizeF(max(font.pointSizeF() - 1.0, 8.0))
        label.setFont(font)
    return label


def _row(*widgets: QWidget) -> QHBoxLayout:
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    return row


def _box(title: str, layout: Any) -> QGroupBox:
    box = QGroupBox(title)
    box.setLayout(layout)
    return box


def _scrolled(column: QWidget) -> QScrollArea:
    area = QScrollArea()
    area.setWidget(column)
    area.setWidgetResizable(True)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setMinimumWidth(PANEL_WIDTH + area.verticalScrollBar().sizeHint().width())
    return area
