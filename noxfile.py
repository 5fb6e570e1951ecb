"""The tests with the oldest and with the newest versions of everything this package needs: ``nox -s oldest``.

Words after two dashes go to pytest instead of the quick tests: ``nox -s oldest -- tests/test_read.py -x``.
"""

from __future__ import annotations

import nox

nox.options.default_venv_backend = "uv"
nox.options.sessions = ["oldest", "newest"]

EXTRAS = ".[dicom,cohort,physics]"
TOOLS = ("pytest>=8.3", "pytest-timeout>=2.3", "hypothesis>=6.100", "nibabel>=5.2")
QUICK = ("tests", "-m", "not slow and not viewer", "--ignore=tests/viewer", "--ignore=tests/truth")
# Old releases are not free of warnings under newer neighbours; what matters there is that the numbers hold.
TOLERANT = ("-W", "default")


@nox.session(python="3.11")
def oldest(session: nox.Session) -> None:
    """Run the quick tests with the lowest version that each bound allows."""
    session.install("--resolution", "lowest-direct", EXTRAS, *TOOLS)
    session.run("pytest", *(session.posargs or QUICK), *TOLERANT)


@nox.session(python=["3.11", "3.13"])
def newest(session: nox.Session) -> None:
    """Run the quick tests with the newest version of everything."""
    session.install("--upgrade", EXTRAS, *TOOLS)
    session.run("pytest", *(session.posargs or QUICK))
