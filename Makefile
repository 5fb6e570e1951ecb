# make demo    measure an embedded phantom CT and write the page (first run sets up .venv)
# make test    run all tests
# make check   format, lint, import contracts, types, then all tests
# make clean   remove what these commands made

PYTHON ?= python3
VENV   := .venv
BIN    := $(VENV)/bin
OUT    ?= demo-out
SCREEN := $(if $(shell command -v xvfb-run),xvfb-run -a,env QT_QPA_PLATFORM=offscreen)
# one thread per process: tests and measuring are quicker so on few cores
export OMP_NUM_THREADS ?= 1

comma := ,
VIEWER_TESTS := $(wildcard tests/viewer/test_*.py)
VIEWER_LIBRARIES := libfontconfig1 libgl1 libegl1 libxkbcommon-x11-0 libdbus-1-3 libxcb-cursor0 libxcb-icccm4 libxcb-keysyms1 libxcb-shape0
EXTRAS := dev$(if $(VIEWER_TESTS),$(comma)viewer)

.PHONY: demo test check tests viewer-tests style types clean help

help:
	@sed -n 's/^# \(make .*\)/\1/p' Makefile

demo: $(VENV)/.core
	$(BIN)/ongrowth demo --out $(OUT)

test: $(VENV)/.dev tests

check: $(VENV)/.dev style types tests

style:
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/lint-imports

types:
	$(BIN)/mypy

# the viewer's own pytest plug-in and its warnings must not reach the other tests
tests:
	$(BIN)/pytest --ignore=tests/viewer
ifneq ($(VIEWER_TESTS),)
	@$(MAKE) --no-print-directory viewer-tests
endif

# A bare machine lacks libraries that Qt and napari load; the build server must have them.
viewer-tests:
	@if [ -n "$$CI" ] || QT_QPA_PLATFORM=offscreen $(BIN)/python -c 'import napari, qtpy.QtWidgets' 2>/dev/null; then \
	  $(SCREEN) $(BIN)/pytest -o addopts="--import-mode=importlib -ra" -o filterwarnings=default tests/viewer; \
	else \
	  echo "Left out: the tests of the viewer, whose libraries cannot be loaded here." >&2; \
	  echo "On Debian, as root: apt-get install xvfb $(VIEWER_LIBRARIES); then make test again." >&2; \
	fi

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "ongrowth needs Python 3.11 or newer; $(PYTHON) is $$($(PYTHON) -V). Give another: make PYTHON=python3.12" >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || $(MAKE) --no-print-directory venv-package
	$(PYTHON) -m venv $(VENV)

# Debian ships the venv module apart from Python.
.PHONY: venv-package
venv-package:
	@if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null; then \
	  echo "Installing the Debian package python3-venv" >&2; \
	  apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y -qq python3-venv >/dev/null; \
	else \
	  echo "Python's venv module is missing. As root: apt-get install python3-venv; then run make again." >&2; exit 1; \
	fi

$(VENV)/.core: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/.dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[$(EXTRAS)]'
	touch $@ $(VENV)/.core

clean:
	rm -rf $(VENV) $(OUT) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
