"""The window's own parts: the panel beside the canvas and the table under the map. They compute nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

from qtpy.QtCore import QSignalBlocker, Qt, QTimer
from qtpy.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QGridLayout,
    QGroupBox,
    QHBoxLayout,
    QHeaderView,
    QLabel,
    QLineEdit,
    QListWidget,
    QListWidgetItem,
    QProgressBar,
    QPushButton,
    QScrollArea,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ongrowth.findings import screw_name
from ongrowth.scan import Scan
from ongrowth.wording import fixed_words
from ongrowth_napari.desk import SCENES, WINDOWS_HU, Desk
from ongrowth_napari.measuring import Measure, measure_whole
from ongrowth_napari.reader_form import ReaderForm
from ongrowth_napari.session import Session, in_words
from ongrowth_napari.table import HEAD, Row

_TICK_MS = 100
_PANEL_WIDTH = 345
_NOTHING_OVER = "nothing"
_KEYS = {"Up": (-1.0, 0.0), "Down": (1.0, 0.0), "Left": (0.0, -15.0), "Right": (0.0, 15.0)}


def open_desk(
    viewer: Any,
    session: Session,
    *,
    scan: Scan | None = None,
    results: Path | None = None,
    reads_first: bool = False,
    author: str = "",
    measure: Measure = measure_whole,
) -> Panel:
    """Put the panel and the table into a viewer's window, and start measuring if nothing is at hand."""
    desk = Desk(
        viewer,
        session,
        scan=scan,
        results=results,
        reads_first=reads_first,
        author=author,
        measure=measure,
    )
    panel = Panel(desk)
    dock = viewer.window.add_dock_widget(panel.widget, name="ongrowth", area="right")
    viewer.window.add_dock_widget(panel.table.widget, name="figures; a row moves the cursor", area="bottom")
    window = viewer.window._qt_window
    window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
    window.setCorner(Qt.Corner.BottomLeftCorner, Qt.DockWidgetArea.LeftDockWidgetArea)
    window.resizeDocks([dock], [_PANEL_WIDTH], Qt.Orientation.Horizontal)
    for key, (depth, angle) in _KEYS.items():
        viewer.bind_key(key, _stepper(desk, depth, angle), overwrite=True)
    window.destroyed.connect(desk.close)
    if desk.reading is None and desk.scan is not None:
        desk.measure()
    panel.refresh()
    return panel


def _stepper(desk: Desk, depth_mm: float, angle_deg: float) -> Callable[[Any], None]:
    def step(_: Any) -> None:
        if desk.navigator is not None:
            desk.navigator.go(desk.navigator.depth_mm + depth_mm, desk.navigator.angle_deg + angle_deg)

    return step


class Panel:
    """The panel beside the canvas: what is open, measuring, correcting, saving, the reader's own values."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.table = Table(desk)
        self.scans, self.screws, self.scenes = QComboBox(), QComboBox(), QComboBox()
        self.windows, self.over = QComboBox(), QComboBox()
        self.measure, self.cancel = QPushButton("Measure"), QPushButton("Cancel")
        self.progress, self.status = QProgressBar(), _wrapped("")
        self.undo, self.redo = QPushButton("Undo"), QPushButton("Redo")
        self.leave_out, self.artefact = QPushButton("Leave out"), QPushButton("Artefact")
        self.take_back, self.save = QPushButton("Take back"), QPushButton("Save")
        self.remark_button = QPushButton("Add")
        self.remark, self.author = QLineEdit(), QLineEdit(desk.author)
        self.corrections = QListWidget()
        self.form = ReaderForm(desk)
        self.widget = _scrolled(self._column())
        self._connect()
        desk.on_change = self.refresh
        desk.on_cursor = self.table.show_place
        self._timer = QTimer(self.widget)
        self._timer.setInterval(_TICK_MS)
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
        for row, (name, widget) in enumerate(
            (
                ("Scan", self.scans),
                ("Screw", self.screws),
                ("Show", self.scenes),
                ("Window", self.windows),
                ("Lay over", self.over),
            )
        ):
            grid.addWidget(QLabel(name), row, 0)
            grid.addWidget(widget, row, 1)
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
        column.addLayout(_row(self.leave_out, self.artefact))
        self.corrections.setMinimumHeight(70)
        self.corrections.setMaximumHeight(150)
        self.corrections.setWordWrap(True)
        column.addWidget(self.corrections)
        column.addLayout(_row(self.undo, self.redo, self.take_back))
        self.remark.setPlaceholderText("a remark, or the reason of the next correction")
        column.addLayout(_row(self.remark, self.remark_button))
        column.addLayout(_row(QLabel("Author"), self.author))
        column.addWidget(self.save)
        self.leave_out.setToolTip("The box drawn on the map, else the sector at the cursor: not measured.")
        self.artefact.setToolTip("The same, marked as artefact.")
        self.take_back.setToolTip("Take back the correction chosen in the list, saved or not.")
        return _box("Correct", column)

    # ---- wiring ----

    def _connect(self) -> None:
        desk = self.desk
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
        self.scenes.setCurrentIndex(list(SCENES).index(desk.scene))
        self.measure.setText(_measure_words(desk))
        self.measure.setEnabled(desk.scan is not None and not desk.is_measuring)
        self.cancel.setEnabled(desk.is_measuring)
        self.progress.setRange(0, 0 if desk.is_measuring or desk.is_reading else 1)
        self.status.setText(desk.status)
        self.status.setToolTip("\n".join(desk.problems))
        for button in (self.leave_out, self.artefact):
            button.setEnabled(desk.navigator is not None)
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


class Table:
    """The table under the map, with the place of the cursor above it."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.place = QLabel("")
        self.view = QTableWidget(0, len(HEAD))
        self.view.setHorizontalHeaderLabels(list(HEAD))
        self.view.verticalHeader().setVisible(False)
        self.view.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.view.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.view.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.view.horizontalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Stretch)
        self.view.currentCellChanged.connect(lambda row, *_: self._chosen(row))
        self._rows: tuple[Row, ...] = ()
        column = QVBoxLayout()
        column.setContentsMargins(6, 2, 6, 2)
        column.addWidget(self.place)
        column.addWidget(self.view)
        self.widget = QWidget()
        self.widget.setLayout(column)
        self.widget.setMinimumHeight(150)

    def refresh(self) -> None:
        """Show the rows as they stand."""
        rows = self.desk.rows()
        if rows != self._rows:
            self._rows = rows
            silence = QSignalBlocker(self.view)  # filling it is no choice of a row
            self.view.setRowCount(len(rows))
            for n, row in enumerate(rows):
                self._fill_row(n, row)
            self.view.setCurrentCell(-1, -1)
            silence.unblock()
        self.show_place()

    def _fill_row(self, n: int, row: Row) -> None:
        for column, text in enumerate((row.where, row.measured, row.expected, row.result)):
            item = QTableWidgetItem(text)
            item.setToolTip(text)
            self.view.setItem(n, column, item)

    def show_place(self) -> None:
        """Show where the cursor stands."""
        self.place.setText(self.desk.place() or self.desk.hint)

    def _chosen(self, row: int) -> None:
        if 0 <= row < len(self._rows) and self.desk.navigator is not None:
            if self.desk.scene != "sheet":
                self.desk.show_scene("sheet")
            self.desk.navigator.go(self._rows[row].depth_mm, self._rows[row].angle_deg)


def _measure_words(desk: Desk) -> str:
    if desk.reading is None:
        return "Measure"
    return "Measure again" if not desk.is_current else "Measure again (nothing has changed)"


def _week_words(weeks: float) -> str:
    return "" if math.isnan(weeks) else f", week {weeks:.0f}"


def _fill(combo: QComboBox, items: list[tuple[str, str]], chosen: str) -> None:
    if [combo.itemData(n) for n in range(combo.count())] != [data for _, data in items]:
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
    area.setMinimumWidth(_PANEL_WIDTH + area.verticalScrollBar().sizeHint().width())
    return area
