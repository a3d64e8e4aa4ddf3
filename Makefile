# `make` lists the targets. To pass another command of the program through, add two lines like those of
# `report`; `make report ARGS="--help"` shows how its arguments are handed on.

SHELL := bash
.SHELLFLAGS := -euo pipefail -c
.DELETE_ON_ERROR:
.DEFAULT_GOAL := help
MAKEFLAGS += --no-builtin-rules --no-print-directory

VENV := .venv
PY := $(VENV)/bin/python
# -P: no module from the folder this is run in.
ROTORPROOF := $(PY) -P -m rotorproof
UV_VERSION := 0.13.9

# Arguments of the command, and of pytest; test processes.
ARGS ?=
PYTEST_ARGS ?=
JOBS ?= auto

export PYTHONPATH := $(CURDIR)/scripts
# Read by the shell, so that a blank or a quote in it stays part of the name.
export NAME
# Arrays here are small: threads of the linear algebra only get in each other's way, twentyfold on a busy machine.
export OMP_NUM_THREADS ?= 1
export OPENBLAS_NUM_THREADS ?= 1
# Compiled modules are kept, where the user may write: to compile all at each start costs more than most commands do.
unexport PYTHONDONTWRITEBYTECODE
export PIP_DISABLE_PIP_VERSION_CHECK := 1
# Some pips would otherwise warn about a package that comes without a pyproject.toml.
export PIP_USE_PEP517 := 1

# An installed environment is marked by a file named after the lock file's checksum: another lock, or an
# installation that was interrupted, has no such file and starts from nothing.
checksum = $(firstword $(shell cksum < $(1)))
STAMP := $(VENV)/.rotorproof-$(call checksum,requirements-build.lock)-$(call checksum,requirements.lock)
TEST_STAMP := $(STAMP)-test-$(call checksum,tests/requirements.lock)
# A Python that was removed or upgraded in place leaves an environment that no longer runs.
ifneq ($(wildcard $(VENV)),)
ifneq ($(shell $(PY) -c 'print("runs")' 2>/dev/null),runs)
$(shell rm -f $(VENV)/.rotorproof-* $(PY))
endif
endif

# A lock file holds everything (a test sees to it), so pip is not asked what a package needs: for an extra, older
# pips take the newest release, whatever is pinned. A package that comes as source is built with the tools of
# requirements-build.lock, for the same reason.
PIP_INSTALL = $(PY) -m pip install --quiet --no-input --no-deps --no-build-isolation --require-hashes -r
SNAKEFILES = Snakefile $(wildcard rules/*.smk)

.PHONY: help
help: ## List the targets
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/  make \1\t\2/p' $(MAKEFILE_LIST) | expand -t 18

# ----- Use

.PHONY: report
report: ready ## Make the acceptance reports (UNIT=X for one; ARGS="..." is handed on)
	@$(ROTORPROOF) report $(UNIT) $(ARGS)

.PHONY: compare
compare: ready ## Set units side by side, as config/config.yaml names them (ARGS="NAME ..." or "--units A B")
	@$(ROTORPROOF) compare $(ARGS)

.PHONY: check
check: ready ## Check the raw logs in seconds, without fitting (UNIT=X for one)
	@$(ROTORPROOF) check $(UNIT) $(ARGS)

.PHONY: intake
intake: ready ## Write down the SHA-256 of a unit's logs on the day they came (UNIT=X)
	@$(ROTORPROOF) intake $(UNIT) $(ARGS)

.PHONY: unit
unit: ready ## Start a new unit; asks what it needs (NAME=X ARGS="--kind motor")
	@$(ROTORPROOF) unit $(if $(NAME),--name "$$NAME") $(ARGS)

.PHONY: demo
demo: ready ## Move the invented units into demo/, so that raw/ is yours (ARGS="--to FOLDER")
	@$(ROTORPROOF) demo $(ARGS)

.PHONY: plan
plan: ready ## Make printable bench sheets for the tests of a unit (UNIT=X)
	@$(ROTORPROOF) plan $(UNIT) $(ARGS)

.PHONY: layout
layout: ready ## Propose a layout for an unknown export (ARGS="FILE --write")
	@$(ROTORPROOF) layout $(ARGS)

.PHONY: population
population: ready ## Tell how the units of each model scatter (ARGS="--write" keeps it as a process)
	@$(ROTORPROOF) population $(ARGS)

.PHONY: choose
choose: ready ## Choose motor and controller from the stock for a vehicle (VEHICLE=NAME)
	@$(ROTORPROOF) choose $(VEHICLE) $(ARGS)

.PHONY: season
season: ready ## Put the batches of a season into one register (ARGS="reports/2026-05-02 ...")
	@$(ROTORPROOF) season $(ARGS)

.PHONY: certificate
certificate: ready ## Make the workshop's own signing certificate (ARGS="--name 'A. Name'")
	@$(ROTORPROOF) certificate $(ARGS)

.PHONY: sign
sign: ready ## Sign and archive a report (UNIT=X ARGS="--role 'workshop manager'")
	@$(ROTORPROOF) sign $(UNIT) $(ARGS)

.PHONY: verify
verify: ready ## Check a signed report (ARCHIVE=reports/archive/X/r1 ARGS="--recompute")
	@$(ROTORPROOF) verify $(ARCHIVE) $(ARGS)

.PHONY: renew
renew: ready ## Put a new time stamp over a signed report (ARCHIVE=reports/archive/X/r1 ARGS="--timestamp URL")
	@$(ROTORPROOF) renew $(ARCHIVE) $(ARGS)

# ----- Environment

.PHONY: setup
setup: ready ## Install everything a report needs, into .venv

.PHONY: ready test-ready system test-system
ready: system $(STAMP)
test-ready: test-system $(TEST_STAMP)
system:
	@scripts/system_check.sh
test-system:
	@scripts/system_check.sh test

$(STAMP): | system
	@echo "Installing the locked Python packages into $(VENV) (about a minute)"
	@rm -rf $(VENV)
	@python=$$(scripts/find_python.sh) && "$$python" -m venv $(VENV)
	@$(PIP_INSTALL) requirements-build.lock
	@$(PIP_INSTALL) requirements.lock
	@touch $@

$(TEST_STAMP): $(STAMP) | test-system
	@echo "Installing the locked test tools into $(VENV)"
	@$(PIP_INSTALL) tests/requirements.lock
	@touch $@

# ----- Development

# The daemons of a cluster can be started by root alone.
NOT_HERE = $(if $(filter 0,$(shell id -u)),,-m "not slurm")

.PHONY: test
test: test-ready ## Run all tests (PYTEST_ARGS="...", JOBS=2)
	@$(PY) -m pytest -n $(JOBS) --dist loadgroup $(NOT_HERE) $(PYTEST_ARGS)

.PHONY: bench
bench: test-ready ## Measure speed beside plain readers and loops (ARGS="--gigabytes 1 --units 40")
	@PYTHONPATH=scripts:. $(PY) -m tests.benchmarks $(ARGS)

.PHONY: coverage
coverage: test-ready ## Measure how often intervals hold the truth, 1000 units per study (ARGS="--units 100")
	@PYTHONPATH=scripts:. $(PY) -m tests.benchmarks.coverage --seconds 600 $(ARGS)

# docs/season.md and docs/many-units.md hold the last figures.
.PHONY: season-tables
season-tables: test-ready ## Measure again what a season tells: drifts, deliveries, choices, the register's waits (10 minutes)
	@PYTHONPATH=scripts:. $(PY) -m tests.benchmarks.season
	@PYTHONPATH=scripts:. $(PY) -m tests.benchmarks.choice
	@PYTHONPATH=scripts:. $(PY) -m tests.benchmarks.register_scale

# The tests compare and record; the book is made of what they recorded.
.PHONY: proof-book
proof-book: test-ready ## Write what every number was compared with (reports/verification)
	@$(PY) -m pytest -q -n $(JOBS) --outside-record=build/proof/record.json tests
	@$(PY) -m rotorproof.rendering.proof_book build/proof/record.json reports/verification

# Not among the tests: it takes most of an hour. docs/mutation.md holds the last figures.
.PHONY: mutate
mutate: test-ready ## Break formulae on purpose and see which errors the outside checks find (ARGS="road --most 50")
	@$(PY) -m tests.mutation $(ARGS)

# Not among the tests: it takes as long as it is given. docs/robustness.md holds the last figures.
.PHONY: fuzz
fuzz: test-ready ## Spoil inputs of every kind by the thousand (ARGS="--hours 8")
	@PYTHONPATH=scripts:. $(PY) -m tests.fuzz $(ARGS)

# Not among the tests: it takes as long as it is given, and some of it needs root. docs/robustness.md has the figures.
.PHONY: faults
faults: test-ready ## Kill, fill the disk, set the clock back ... and look what is left (ARGS="--minutes 30")
	@PYTHONPATH=scripts:. $(PY) -m tests.faults $(ARGS)

.PHONY: lint
lint: test-ready ## Check style and types
	$(PY) -m ruff check .
	$(PY) -m ruff format --check .
	$(PY) -m snakefmt --check $(SNAKEFILES)
	$(PY) -m mypy

.PHONY: format
format: test-ready ## Put the code into its standard form
	$(PY) -m ruff check --fix-only --quiet .
	$(PY) -m ruff format .
	$(PY) -m snakefmt $(SNAKEFILES)

.PHONY: schemas
schemas: ready ## Write the JSON Schemas of config/schemas from the models
	$(PY) -m rotorproof.settings.schemas

UV_COMPILE = build/uv/bin/uv pip compile --quiet --universal --python-version 3.11 --generate-hashes \
	--no-header --no-emit-index-url --no-emit-find-links $(if $(UPGRADE),--upgrade)

.PHONY: lock
lock: ## Renew the lock files from pyproject.toml (UPGRADE=1 takes newer versions)
	@python=$$(scripts/find_python.sh) && "$$python" -m venv build/uv
	@build/uv/bin/python -m pip install --quiet uv==$(UV_VERSION)
	$(UV_COMPILE) --all-extras pyproject.toml --output-file requirements.lock
	$(UV_COMPILE) --group test --constraints requirements.lock --output-file tests/requirements.lock
	$(UV_COMPILE) --group build --constraints requirements.lock --constraints tests/requirements.lock \
	    --output-file requirements-build.lock

.PHONY: clean
clean: ## Delete what a run leaves behind, never raw/ or reports/
	@for path in build .snakemake .pytest_cache .hypothesis .mypy_cache .ruff_cache; do \
	    if [ -e "$$path" ]; then echo "deleting $$path"; rm -rf -- "$$path"; fi; \
	done
	@find scripts tests -name __pycache__ -type d -prune -printf 'deleting %p\n' -exec rm -rf {} +
