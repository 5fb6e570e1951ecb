"""The way in from the viewer's own menu: choose a case file or a scan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from qtpy.QtWidgets import QFileDialog, QLabel, QPushButton, QVBoxLayout, QWidget

from ongrowth.scan import Refused
from ongrowth_napari.commands import default_author
from ongrowth_napari.panel import open_desk
from ongrowth_napari.session import new_case_file, open_session


class Starter(QWidget):
    """Two buttons and a line for what went wrong."""

    def __init__(self, viewer: Any) -> None:
        super().__init__()
        self.viewer = viewer
        self.told = QLabel("")
        self.told.setWordWrap(True)
        case, scan = QPushButton("Open a case file ..."), QPushButton("Open the folder of a CT ...")
        case.clicked.connect(self._ask_case)
        scan.clicked.connect(self._ask_scan)
        column = QVBoxLayout()
        for part in (case, scan, self.told):
            column.addWidget(part)
        column.addStretch(1)
        self.setLayout(column)

    def _ask_case(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, "Case file", "", "Case files (*.toml)")
        if name:
            self.open_case(Path(name))

    def _ask_scan(self) -> None:
        name = QFileDialog.getExistingDirectory(self, "Folder of a CT")
        if name:
            self.open_scan(Path(name))

    def open_scan(self, scan: Path) -> None:
        """Open a scan under a case file beside it, which is written if there is none."""
        try:
            self.open_case(new_case_file(scan))
        except OSError as error:
            self.told.setText(f"No case file can be written beside the CT ({error.strerror}).")

    def open_case(self, case: Path) -> None:
        """Open a case file; what is wrong with it is told."""
        try:
            open_desk(self.viewer, open_session(case), author=default_author())
        except Refused as error:
            self.told.setText(str(error))
            return
        self.told.setText(f"{case.name} is open.")
