# Two commands matter: `make demo` and `make test`. Both set up everything they need.
SHELL := /bin/bash
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
# One thread per process: the maths here is small, and tests run two processes side by side.
export OPENBLAS_NUM_THREADS ?= 1
export OMP_NUM_THREADS ?= 1
SUDO := $(shell if [ "$$(id -u)" = 0 ]; then echo; elif sudo -n true 2>/dev/null; then echo sudo; else echo false; fi)

.PHONY: site demo test quick test-all lint setup setup-test system-packages system-python benchmarks faults virtual-pi virtual-pi-load clean

demo: setup
	@if [ -t 0 ] && [ -t 1 ]; then $(BIN)/earthward demo; \
	else echo "No terminal here. Run headless with: $(BIN)/earthward demo --headless --seed 1 --out earthward-out"; fi

# Tests that keep real time run one after the other and leave much of the machine idle: style, types and the other tests
# fill it, on idle priority, so that no test waits for a processor that it needs now.
IDLE := $(shell chrt --idle 0 true 2>/dev/null && echo chrt --idle 0 || echo nice -n 19)

LINT := $(IDLE) $(BIN)/ruff check firmware_host tests hardware && \
	$(IDLE) $(BIN)/ruff format --check firmware_host tests hardware && $(IDLE) $(BIN)/mypy

test:
	$(MAKE) --no-print-directory -j 2 setup-test system-packages
	failed=0; quick=$$(mktemp); trap 'rm -f $$quick' EXIT; \
	{ $(LINT) && $(IDLE) $(BIN)/python -m pytest -q -n 2 --maxprocesses 2 -m "not slow and not realtime"; } >$$quick 2>&1 & others=$$!; \
	$(BIN)/python -m pytest -q -m "realtime and not slow" --durations=12 || failed=1; \
	wait $$others || failed=1; cat $$quick; exit $$failed

# A loop for while one works: style, types, and the tests of single parts that take no second.
quick: setup-test
	$(BIN)/ruff check firmware_host tests hardware
	$(BIN)/mypy
	$(BIN)/python -m pytest -q -n 2 --maxprocesses 2 -m "not slow and not realtime and not long" tests/unit

test-all: setup-test system-packages lint
	$(BIN)/python -m pytest -q -n 2 -m "not realtime"
	$(BIN)/python -m pytest -q -m "realtime"

# Every fault once, and what came of it; some fifteen minutes. The table goes into docs/faults.md.
faults: setup-test
	$(BIN)/python tests/benchmarks/fault_table.py --write docs/faults.md

# Debian on an emulated Pi 4, installed as docs/install-pi.md says, then ill-treated. Needs root and the Debian packages that
# tests/virtual_pi/build.sh names; the disk stays in build/virtual-pi.
virtual-pi: setup-test
	PYTHON=$(BIN)/python bash tests/virtual_pi/build.sh build/virtual-pi
	$(BIN)/python tests/virtual_pi/run.py --write docs/virtual-pi.md

# What the daemon costs and loses at 500 and 1000 MIPS, time counted in instructions, on the machine that virtual-pi installed.
virtual-pi-load: setup-test
	PYTHON=$(BIN)/python bash tests/virtual_pi/build.sh build/virtual-pi
	test -e build/virtual-pi/installed.img || $(BIN)/python tests/virtual_pi/run.py --only install
	$(BIN)/python tests/virtual_pi/run.py --only load load-500 --write docs/virtual-pi.md

# The pages to read, as a folder that needs no network: build/site/index.html.
site: setup-test
	NO_MKDOCS_2_WARNING=1 $(BIN)/mkdocs build -q

lint: setup-test
	$(LINT)

setup: $(VENV)/.installed
setup-test: $(VENV)/.installed-test

# A fresh Debian has python3 but not always its venv module: fetch it where that is allowed.
system-python:
	@$(PYTHON) -c "import ensurepip, venv" 2>/dev/null || { \
	  echo "python3-venv is missing: installing it"; \
	  DEBIAN_FRONTEND=noninteractive $(SUDO) apt-get update -qq && DEBIAN_FRONTEND=noninteractive $(SUDO) apt-get install -y -qq python3-venv; } || { \
	  echo "Please install the Debian package python3-venv, then run make again."; exit 1; }

$(VENV)/bin/python: | system-python
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -e ".[report]"
	@touch $@

$(VENV)/.installed-test: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install -q -e ".[report,test]"
	@touch $@ $(VENV)/.installed

# Compilers and simulators that the firmware and output-stage tests use. Where we may not install them,
# those tests are skipped with a line that names the package. After Python's own package: apt-get has one user at a time.
system-packages: | system-python
	@missing=""; for p in $$(cat tests/debian-packages.txt); do dpkg -s $$p >/dev/null 2>&1 || missing="$$missing $$p"; done; \
	if [ -n "$$missing" ]; then \
	  echo "installing Debian packages:$$missing"; \
	  { DEBIAN_FRONTEND=noninteractive $(SUDO) apt-get update -qq && DEBIAN_FRONTEND=noninteractive $(SUDO) apt-get install -y -qq --no-install-recommends $$missing >/dev/null; } \
	  || echo "could not install:$$missing (tests that need them will be skipped)"; fi

clean:
	rm -rf $(VENV) build dist *.egg-info firmware_host/*.egg-info
