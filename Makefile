# kitfare: `make demo` runs the main job, `make test` passes the tests; each sets up all it needs.
SHELL := /bin/bash
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
INSTALLED := $(VENV)/.installed
PYTEST := $(BIN)/python -m pytest -n auto --maxprocesses 4 --dist worksteal
export PREFECT_SERVER_ANALYTICS_ENABLED := false
export DO_NOT_TRACK := 1

.DEFAULT_GOAL := help

help: ## list the targets
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | awk -F ':.*## ' '{printf "  make %-12s %s\n", $$1, $$2}'

install: $(INSTALLED) ## make .venv with .venv/bin/kitfare from the pinned, hashed requirements

$(INSTALLED): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit("kitfare needs Python 3.11 or newer; say which with PYTHON=...") if sys.version_info < (3, 11) else None'
	$(PYTHON) -m venv --clear $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation --editable .
	touch $(INSTALLED)

demo: $(INSTALLED) ## the whole night on an invented scenario, into demo/
	rm -rf demo
	$(BIN)/kitfare init demo --demo
	$(BIN)/kitfare refresh --workspace demo --prefect

test: $(INSTALLED) ## every test
	$(PYTEST)

test-long: $(INSTALLED) ## every test, those with random input with many more examples; takes most of an hour
	KITFARE_LONG_TESTS=1 $(PYTEST)

test-fast: $(INSTALLED) ## the tests that take seconds
	$(PYTEST) -m "not slow and not browser and not flows"

check: $(INSTALLED) ## format, lint, types and every test
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(MAKE) test

bench-plan: $(INSTALLED) ## the planner against a plain MIP at market size; SIZES=100,300 SEEDS=1 EFFORT=standard RULES=0 MIP_SECONDS=60
	$(BIN)/python -m tests.benchmarks.plan_bench $(if $(SIZES),--sizes $(SIZES)) $(if $(SEEDS),--seeds $(SEEDS)) --effort $(or $(EFFORT),standard) \
		--rule-share $(or $(RULES),0) --mip-seconds $(or $(MIP_SECONDS),60)

bench-night: $(INSTALLED) ## the plans of a first night, or of a sample of its models; MODELS=300 SAMPLE=20
	$(BIN)/python -m tests.benchmarks.night_bench $(if $(MODELS),--models $(MODELS)) $(if $(SAMPLE),--sample $(SAMPLE))

bench-savings: $(INSTALLED) ## savings and look-first lists, and how they grow with lines; SIZES=50,100,200,400
	$(BIN)/python -m tests.benchmarks.savings_bench $(if $(SIZES),--sizes $(SIZES))

bench-joint: $(INSTALLED) ## joint orders, and how they grow with models; MODELS=2,3,4,6,8
	$(BIN)/python -m tests.benchmarks.joint_bench $(if $(MODELS),--models $(MODELS))

bench-trends: $(INSTALLED) ## monthly trend tables of many models, and how they grow; MODELS=75,150,300 MONTHS=60 ELEMENTS=20000
	$(BIN)/python -m tests.benchmarks.trends_bench $(if $(MODELS),--models $(MODELS)) $(if $(MONTHS),--months $(MONTHS)) \
		$(if $(ELEMENTS),--elements $(ELEMENTS))

bench-load: $(INSTALLED) ## a night's load against DuckDB's own reader; SIZES=1000000,3000000,10000000
	$(BIN)/python -m tests.benchmarks.load_bench $(if $(SIZES),--sizes $(SIZES))

docs: $(INSTALLED) ## write what the code says of itself again: schemas/DICTIONARY.md and docs/reference/commands.md
	$(BIN)/kitfare dictionary > schemas/DICTIONARY.md
	$(BIN)/python -m pipelines.cli.reference > docs/reference/commands.md

bench-memory: $(INSTALLED) ## peak memory of the demo's refresh, parent and children together; Linux only
	$(BIN)/python -m tests.benchmarks.memory_bench

format: $(INSTALLED) ## format and correct what can be corrected
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean: ## remove the environment, the demo and caches
	rm -rf $(VENV) demo .pytest_cache .mypy_cache .ruff_cache .hypothesis build dist

# `docs` is a folder too, so that it must be named here.
.PHONY: bench-joint bench-load bench-memory bench-night docs help install demo test test-long test-fast check bench-plan bench-savings bench-trends format clean
