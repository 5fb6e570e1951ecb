"""The table under the map as the window shows it, with what must be known of its figures above it."""

from __future__ import annotations

from typing import Any

from qtpy.QtCore import QSignalBlocker, Qt
from qtpy.QtGui import QBrush, QPalette
from qtpy.QtWidgets import (
    QAbstractItemView,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ongrowth_napari.desk import Desk
from ongrowth_napari.table import HEAD, Row

_SHARES = (30, 30, 20, 20)  # of the width, one for each column
_LEAST_ROWS = 4


class TableWidget(QWidget):
    """Rows of figures; a row that is chosen moves the cursor to what it speaks of.

    Parameters
    ----------
    desk : Desk
        Gives the rows.
    """

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.place, self.warning = QLabel(""), QLabel("")
        self.warning.setStyleSheet("font-weight: bold")
        self.view = QTableWidget(0, len(HEAD))
        self.view.setHorizontalHeaderLabels(list(HEAD))
        self.view.verticalHeader().setVisible(False)
        self.view.setWordWrap(False)  # what is too long is told by its tip
        self.view.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.view.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.view.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.view.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.view.horizontalHeader().setStretchLastSection(True)
        self.view.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.view.currentCellChanged.connect(lambda row, *_: self._chosen(row))
        self._rows: tuple[Row, ...] = ()
        self._column = column = QVBoxLayout(self)
        column.setContentsMargins(6, 2, 6, 2)
        for part in (self.place, self.warning, self.view):
            column.addWidget(part)
        column.addStretch(1)
        self.setMinimumHeight(self._head_px + _LEAST_ROWS * self._row_px + 60)

    @property
    def _row_px(self) -> int:
        return self.view.verticalHeader().defaultSectionSize()

    @property
    def _head_px(self) -> int:
        return self.view.horizontalHeader().sizeHint().height() + 2 * self.view.frameWidth()

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
        self.warning.setText(self.desk.warning)
        self.warning.setVisible(bool(self.desk.warning))
        self.view.setVisible(bool(rows))
        self._dim(bool(rows) and bool(self.desk.warning))
        self.show_place()
        self._column.activate()
        self._fit()

    def show_place(self) -> None:
        """Show where the cursor stands."""
        self.place.setText(self.desk.place())

    def resizeEvent(self, event: Any) -> None:
        """Keep whole rows in sight, whatever the height."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        above = self.view.y() if self.view.y() > 0 else self.place.sizeHint().height() + 8
        rows = max((self.height() - above - 4 - self._head_px) // self._row_px, 1)
        self.view.setFixedHeight(self._head_px + rows * self._row_px)
        bar = self.view.verticalScrollBar().sizeHint().width()
        width = self.width() - 12 - 2 * self.view.frameWidth() - bar
        for column, share in enumerate(_SHARES[:-1]):
            self.view.setColumnWidth(column, width * share // 100)

    def _fill_row(self, n: int, row: Row) -> None:
        for column, text in enumerate((row.where, row.measured, row.expected, row.result)):
            item = QTableWidgetItem(text)
            item.setToolTip(text)
            self.view.setItem(n, column, item)

    def _dim(self, is_stale: bool) -> None:  # noqa: FBT001
        brush = QBrush(self.palette().color(QPalette.ColorRole.Mid)) if is_stale else None
        items = (self.view.item(n, k) for n in range(self.view.rowCount()) for k in range(len(HEAD)))
        silence = QSignalBlocker(self.view)
        for item in filter(None, items):
            item.setData(Qt.ItemDataRole.ForegroundRole, brush)
        silence.unblock()

    def _chosen(self, row: int) -> None:
        if 0 <= row < len(self._rows) and self.desk.navigator is not None:
            if self.desk.stage.scene != "sheet":
                self.desk.show_scene("sheet")
            self.desk.navigator.go(self._rows[row].depth_mm, self._rows[row].angle_deg)
