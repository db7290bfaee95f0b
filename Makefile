# kitfare: `make demo` runs the main job, `make check` says whether all is well; each sets up all it needs.
SHELL := /bin/bash
.SHELLFLAGS := -euo pipefail -c
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALLED := $(VENV)/.installed
LOWEST := .venv-lowest
PIP := -m pip --quiet --disable-pip-version-check
STEP = @printf '\n== %s\n'
PARALLEL := -n auto --maxprocesses 4 --dist worksteal
PYTEST := $(BIN)/python -m pytest $(PARALLEL)
ATTACK_OPTIONS := KILLS PREFECT_KILLS READ_KILLS DEMO_KILLS DISK_FAULTS DAMAGES FILES WRONG SECONDS SEED WORKERS
FAST := -m "not slow and not browser and not flows"
export PREFECT_SERVER_ANALYTICS_ENABLED := false
export DO_NOT_TRACK := 1

.DEFAULT_GOAL := help

help: ## list the targets
	@awk -F ':.*## ' '/^##@ /{printf "\n%s\n", substr($$0, 5)} /^[a-z-]+:.*## /{printf "  make %-14s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

##@ Run
install: $(INSTALLED) ## make .venv with .venv/bin/kitfare from the pinned, hashed requirements

$(INSTALLED): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit("kitfare needs Python 3.11 or newer; say which with PYTHON=...") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv --clear $(VENV)
	$(BIN)/python $(PIP) install --require-hashes -r requirements.lock
	$(BIN)/python $(PIP) install --no-deps --no-build-isolation --editable .
	touch $(INSTALLED)

demo: $(INSTALLED) ## the whole night on an invented scenario, into demo/
	rm -rf demo
	$(BIN)/kitfare init demo --demo
	$(BIN)/kitfare refresh --workspace demo --prefect

##@ Check
check: $(INSTALLED) browser ## everything CI asks for: format, lint, types, SQL, made files, every test
	$(STEP) 'format of Python'
	@$(BIN)/ruff format --check .
	$(STEP) 'lint of Python'
	@$(BIN)/ruff check .
	$(STEP) 'types'
	@$(BIN)/mypy
	$(STEP) 'lint of SQL'
	@$(BIN)/sqlfluff lint sql --processes 2 --disable-progress-bar
	$(STEP) 'files made from the code'
	@$(BIN)/kitfare dictionary | diff - schemas/DICTIONARY.md || { echo 'stale: run make docs'; exit 1; }
	@$(BIN)/python -m pipelines.cli.reference | diff - docs/reference/commands.md || { echo 'stale: run make docs'; exit 1; }
	$(STEP) 'tests'
	@$(PYTEST)

test: $(INSTALLED) ## every test
	$(PYTEST)

test-fast: $(INSTALLED) ## the tests that take seconds
	$(PYTEST) $(FAST)

test-long: $(INSTALLED) ## every test, those with random input with many more examples; takes most of an hour
	KITFARE_LONG_TESTS=1 $(PYTEST)

attack: $(INSTALLED) ## kills, full disks, hostile files, wrong exports; takes hours, by hand; ONLY=kills KILLS=250 SECONDS=3600 SEED=1
	$(BIN)/python -m tests.attacks $(if $(ONLY),--only $(ONLY)) $(foreach name,$(ATTACK_OPTIONS),$(if $($(name)),--$(name) $($(name))))

test-lowest: $(LOWEST)/.installed ## the tests that take seconds, on the oldest libraries that pyproject.toml allows
	$(LOWEST)/bin/python -m pytest $(PARALLEL) $(FAST)

$(LOWEST)/.installed: pyproject.toml $(INSTALLED)
	$(PYTHON) -m venv --clear $(LOWEST)
	$(BIN)/uv pip install --quiet --python $(LOWEST)/bin/python --resolution lowest-direct -r pyproject.toml --extra dev
	$(LOWEST)/bin/python $(PIP) install --no-deps --no-build-isolation --editable .
	touch $@

# Without a browser the tests of pages are skipped, and a check that skips them says nothing about the pages.
browser:
	@test -x /usr/bin/chromium || { echo "make check opens pages in Debian's chromium, which is not there; nothing was checked."; \
		echo "Install it: apt-get install chromium fonts-dejavu-core fonts-liberation"; exit 1; }

##@ Change
format: $(INSTALLED) ## format Python and SQL, and correct what can be corrected
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .
	$(BIN)/sqlfluff fix sql --processes 2 --disable-progress-bar --quiet

docs: $(INSTALLED) ## make again the files that are made from the code
	$(BIN)/kitfare dictionary > schemas/DICTIONARY.md.new
	mv schemas/DICTIONARY.md.new schemas/DICTIONARY.md
	$(BIN)/python -m pipelines.cli.reference > docs/reference/commands.md.new
	mv docs/reference/commands.md.new docs/reference/commands.md

lock: $(INSTALLED) ## pin what pyproject.toml asks for beyond requirements.lock; pins that still fit stay
	$(BIN)/uv pip compile pyproject.toml --extra dev --universal --python-version 3.11 --generate-hashes --no-header --no-annotate \
		--no-emit-index-url --quiet --output-file requirements.lock

clean: ## remove the environments, the demo and caches
	rm -rf $(VENV) $(LOWEST) demo .pytest_cache .mypy_cache .ruff_cache .hypothesis build dist *.egg-info
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

##@ Measure
bench-plan: $(INSTALLED) ## the planner against a plain MIP at market size; SIZES=100,300 SEEDS=1 EFFORT=standard RULES=0 MIP_SECONDS=60
	$(BIN)/python -m tests.benchmarks.plan_bench $(if $(SIZES),--sizes $(SIZES)) $(if $(SEEDS),--seeds $(SEEDS)) --effort $(or $(EFFORT),standard) \
		--rule-share $(or $(RULES),0) --mip-seconds $(or $(MIP_SECONDS),60)

bench-night: $(INSTALLED) ## the plans of a first night, or of a sample of its models; MODELS=300 SAMPLE=20
	$(BIN)/python -m tests.benchmarks.night_bench $(if $(MODELS),--models $(MODELS)) $(if $(SAMPLE),--sample $(SAMPLE))

bench-savings: $(INSTALLED) ## savings and look-first lists, and how they grow with lines; SIZES=50,100,200,400
	$(BIN)/python -m tests.benchmarks.savings_bench $(if $(SIZES),--sizes $(SIZES))

bench-months: $(INSTALLED) ## plans of the demo's month ends: excess, gap, CPU s; EVERY=3 EFFORTS=quick,standard KEEP=folder
	$(BIN)/python -m tests.benchmarks.months_bench --every $(or $(EVERY),3) --efforts $(or $(EFFORTS),quick,standard) \
		$(if $(KEEP),--keep $(KEEP))

bench-truth: $(INSTALLED) ## whether the demo's costs and their changes hold when planned at deep; EVERY=4 KEEP=folder
	$(BIN)/python -m tests.benchmarks.truth_bench --every $(or $(EVERY),4) $(if $(KEEP),--keep $(KEEP))

bench-joint: $(INSTALLED) ## joint orders, and how they grow with models; MODELS=2,3,4,6,8
	$(BIN)/python -m tests.benchmarks.joint_bench $(if $(MODELS),--models $(MODELS))

bench-trends: $(INSTALLED) ## monthly trend tables of many models, and how they grow; MODELS=75,150,300 MONTHS=60 ELEMENTS=20000
	$(BIN)/python -m tests.benchmarks.trends_bench $(if $(MODELS),--models $(MODELS)) $(if $(MONTHS),--months $(MONTHS)) \
		$(if $(ELEMENTS),--elements $(ELEMENTS))

bench-forecast: $(INSTALLED) ## how often a forecast is shown for simulated series, by kind and length; SERIES=500 LENGTHS=40,60,84
	$(BIN)/python -m tests.benchmarks.forecast_bench --series $(or $(SERIES),500) $(if $(LENGTHS),--months $(LENGTHS))

bench-load: $(INSTALLED) ## a night's load against DuckDB's own reader; SIZES=1000000,3000000,10000000
	$(BIN)/python -m tests.benchmarks.load_bench $(if $(SIZES),--sizes $(SIZES))

bench-memory: $(INSTALLED) ## peak memory of the demo's refresh, parent and children together; Linux only
	$(BIN)/python -m tests.benchmarks.memory_bench

bench-screen: $(INSTALLED) ## the screen of suspect prices against loading the same export; SIZE=2000000
	$(BIN)/python -m tests.benchmarks.screen_bench $(if $(SIZE),--size $(SIZE))

bench-journal: $(INSTALLED) ## what the archive's journal costs a night, as nights become more; NIGHTS=10,100,1000
	$(BIN)/python -m tests.benchmarks.journal_bench $(if $(NIGHTS),--nights $(NIGHTS))

.PHONY: help install demo check test test-fast test-long attack test-lowest browser format docs lock clean \
	bench-plan bench-night bench-months bench-truth bench-savings bench-joint bench-trends bench-forecast bench-load bench-memory bench-screen bench-journal
