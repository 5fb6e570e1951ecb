"""A desk in a viewer's window: docks, keys, and the question before something unsaved is lost."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from qtpy.QtCore import QEvent, QObject, QSize, Qt, QTimer
from qtpy.QtWidgets import QDockWidget, QMessageBox, QPushButton, QWidget

from ongrowth_napari.desk import Desk
from ongrowth_napari.panel import PANEL_WIDTH, Panel

_KEYS = {"Up": (-1.0, 0.0), "Down": (1.0, 0.0), "Left": (0.0, -15.0), "Right": (0.0, 15.0)}
_LAYER_DOCKS = ("layer controls", "layer list")
_WINDOW = (1500, 940)
_TABLE_SHARE = 0.31  # of the height of the window
_Choice = QMessageBox.StandardButton


def open_desk(viewer: Any, desk: Desk, *, is_own: bool = False) -> Panel:
    """Put the panel and the table of a desk into its viewer's window; measure if nothing is at hand.

    Parameters
    ----------
    viewer : napari.Viewer
        The viewer of the desk, with its window.
    desk : Desk
        What is open, and what can be done with it.
    is_own : bool
        Whether the window was opened for this: then the lists of layers make room for the sheet.
    """
    panel = Panel(desk)
    _place(viewer, panel)
    for key, (depth, angle) in _KEYS.items():
        viewer.bind_key(key, _stepper(desk, depth, angle), overwrite=True)
    window = viewer.window._qt_window
    panel.guard = CloseGuard(desk, window)
    panel.layer_lists.toggled.connect(lambda on: _show_layer_docks(window, on))
    panel.layer_lists.setChecked(not is_own)
    _show_layer_docks(window, not is_own)
    for part in (panel.widget, panel.table):
        part.destroyed.connect(desk.close)
    desk.measures_at_once = True
    if desk.reading is None and desk.scan is not None:
        desk.measure()
    panel.refresh()
    viewer.reset_view(margin=0.02)
    return panel


def show_window(viewer: Any) -> None:
    """Show a viewer as large as the sheet and the table are read well, as far as the screen has room.

    napari gives a window, as it is shown, the size it had the last time, and at the very first a small one.
    """
    viewer.show()
    window = viewer.window._qt_window
    room = window.screen().availableGeometry()
    wanted = QSize(*_WINDOW).expandedTo(window.size()).boundedTo(room.size())
    if wanted != window.size():
        window.resize(wanted)
        window.move(room.topLeft())
    QTimer.singleShot(0, lambda: viewer.reset_view(margin=0.02))  # once the docks have their new sizes


def _place(viewer: Any, panel: Panel) -> None:
    beside = viewer.window.add_dock_widget(panel.widget, name="ongrowth", area="right")
    below = viewer.window.add_dock_widget(panel.table, name="figures; a row moves the cursor", area="bottom")
    window = viewer.window._qt_window
    window.setCorner(Qt.Corner.BottomRightCorner, Qt.DockWidgetArea.RightDockWidgetArea)
    window.setCorner(Qt.Corner.BottomLeftCorner, Qt.DockWidgetArea.BottomDockWidgetArea)
    window.resizeDocks([beside], [PANEL_WIDTH], Qt.Orientation.Horizontal)
    window.resizeDocks([below], [int(_TABLE_SHARE * window.height())], Qt.Orientation.Vertical)
    for dock in (beside, below):  # closed for good they could not be had back; hiding them stays
        button = dock.titleBarWidget().findChild(QPushButton, "QTitleBarCloseButton")
        if button is not None:
            button.setVisible(False)


def _show_layer_docks(window: QWidget, is_shown: bool) -> None:  # noqa: FBT001 - as the signal gives it
    for dock in window.findChildren(QDockWidget):
        if dock.objectName() in _LAYER_DOCKS:
            dock.setVisible(is_shown)


def _stepper(desk: Desk, depth_mm: float, angle_deg: float) -> Callable[[Any], None]:
    def step(_: Any) -> None:
        if desk.navigator is not None:
            desk.navigator.go(desk.navigator.depth_mm + depth_mm, desk.navigator.angle_deg + angle_deg)

    return step


class CloseGuard(QObject):
    """Asks before a window is closed over corrections that are not saved, and ends what still runs.

    Parameters
    ----------
    desk : Desk
        What is open.
    window : QWidget
        Its window.
    """

    def __init__(self, desk: Desk, window: QWidget) -> None:
        super().__init__(window)
        self.desk, self.window = desk, window
        self.ask: Callable[[], Any] = self._ask
        window.installEventFilter(self)

    def eventFilter(self, _: QObject, event: QEvent) -> bool:
        """Stop the closing if the answer is to stay, or if saving failed."""
        if event.type() != QEvent.Type.Close or not self.desk.is_open:
            return False
        if self.desk.session.pending:
            answer = self.ask()
            if answer == _Choice.Cancel or (answer == _Choice.Save and not self.desk.save()):
                event.ignore()
                return True
        self.desk.close()
        return False

    def _ask(self) -> Any:
        n = len(self.desk.session.pending)
        what = "One correction is" if n == 1 else f"{n} corrections are"
        return QMessageBox.question(
            self.window,
            "Not saved",
            f"{what} not saved in {self.desk.session.path.name}.",
            _Choice.Save | _Choice.Discard | _Choice.Cancel,
            _Choice.Save,
        )
