"""The way in from the viewer's own menu: choose a case file or a CT."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any

from qtpy.QtCore import QTimer
from qtpy.QtWidgets import QLabel, QPushButton, QVBoxLayout, QWidget

from ongrowth.scan import Refused
from ongrowth_napari.commands import default_author
from ongrowth_napari.desk import Desk
from ongrowth_napari.opening import Opened, open_case, open_ct
from ongrowth_napari.panel import TICK_MS, Panel, choose_case, choose_ct
from ongrowth_napari.window import open_desk


class Starter(QWidget):
    """Two buttons and a line for what is going on or went wrong.

    Parameters
    ----------
    viewer : napari.Viewer
        Its window takes the panel; what is opened later goes into the same panel.
    """

    def __init__(self, viewer: Any) -> None:
        super().__init__()
        self.viewer = viewer
        self.panel: Panel | None = None
        self._reader = ThreadPoolExecutor(max_workers=1)
        self._coming: Future[Opened] | None = None
        self.told = QLabel("")
        self.told.setWordWrap(True)
        case, ct = QPushButton("Open case ..."), QPushButton("Open CT ...")
        case.clicked.connect(lambda: self.open(open_case, choose_case(self)))
        ct.clicked.connect(lambda: self.open(open_ct, choose_ct(self)))
        column = QVBoxLayout()
        for part in (case, ct, self.told):
            column.addWidget(part)
        column.addStretch(1)
        self.setLayout(column)
        self._timer = QTimer(self)
        self._timer.setInterval(TICK_MS)
        self._timer.timeout.connect(self.tick)
        self._timer.start()

    def open(self, read: Callable[[Path], Opened], path: Path | None) -> None:
        """Start reading a case or a CT in a thread."""
        if path is None or self._coming is not None:
            return
        if self.panel is not None and self.panel.desk.is_open:
            desk = self.panel.desk
            (desk.open_case if read is open_case else desk.open_ct)(path)
            return
        self._coming = self._reader.submit(read, path)
        self.told.setText(f"Reading {path.name} ...")

    def tick(self) -> None:
        """Take up what was read; called again and again."""
        if self._coming is None or not self._coming.done():
            return
        coming, self._coming = self._coming, None
        try:
            session, scan = coming.result()
        except (Refused, OSError) as error:
            self.told.setText(str(error))
            return
        desk = Desk(self.viewer, session, scan=scan, author=default_author())
        self.panel = open_desk(self.viewer, desk)
        self.told.setText(f"{session.path.name} is open.")
