# Everything a person runs here. `make help` prints this.
SHELL := /bin/bash
PY := .venv/bin/python
SERVE ?= 1
# As inspect_app sets it for itself; the tests load NumPy before.
export OPENBLAS_NUM_THREADS ?= 1
CAPTURES ?= 10000
SEED ?= 1
UV := VIRTUAL_ENV=.venv .venv/bin/uv pip install --quiet
# Debian packages: what WeasyPrint loads, and what the tests drive.
PRINTING := libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
TESTING := $(PRINTING) chromium libatomic1 poppler-utils

.PHONY: help demo serve test lint unit bench fuzz lock system-demo system-test clean

help: ## print this list
	@grep -hE '^[a-z-]+:.*## ' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 12

.venv/.ready: requirements.txt pyproject.toml
	@echo 'Setting up the virtual environment'
	@python3 -m venv .venv
	@.venv/bin/pip install --quiet --disable-pip-version-check uv 2>/dev/null || true
	@if [ -x .venv/bin/uv ]; then $(UV) --require-hashes -r requirements.txt; \
	  else .venv/bin/pip install --quiet --require-hashes -r requirements.txt; fi
	@.venv/bin/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e . 
	@touch $@

system-demo: .venv/.ready
	@.ci/system-packages $(PRINTING)

system-test: .venv/.ready
	@.ci/system-packages $(TESTING)

# The name on the demo's documents; set INSPECT_APP_ISSUER for your own.
demo: export INSPECT_APP_ISSUER ?= Brackwater Sound Rescue Service, Receiving Inspection (invented for demonstration)
demo: system-demo ## measure the demo fleet, issue its documents, then serve; SERVE=0 stops before serving
	@.venv/bin/inspect-app demo
	@if [ "$(SERVE)" != 0 ]; then .venv/bin/inspect-app serve; fi

serve: system-demo ## serve the web application on this machine
	@.venv/bin/inspect-app serve

test: system-test lint unit ## lint, type-check, check the import contracts, run all tests

lint: .venv/.ready ## ruff, mypy, import contracts
	@.venv/bin/ruff check .
	@.venv/bin/ruff format --check --quiet .
	@.venv/bin/mypy
	@.venv/bin/lint-imports

unit: .venv/.ready ## the tests alone
	@.venv/bin/pytest -q -n 2 --dist loadfile --no-loadscope-reorder

bench: .venv/.ready ## performance as ratios, by hand
	@.venv/bin/python -m pytest -q tests/bench --override-ini python_files='bench_*.py' -s

fuzz: .venv/.ready ## 10 000 damaged and odd captures through `measure`, by hand
	@.venv/bin/python -m tests.fuzz --captures $(CAPTURES) --seed $(SEED)

lock: ## write requirements.txt anew from pyproject.toml
	@.venv/bin/uv pip compile --quiet --python-version 3.11 --extra develop --generate-hashes --no-emit-index-url \
	  --no-emit-find-links --no-annotate --no-header pyproject.toml -o requirements.txt

clean: ## remove the environment and caches, never the record in instance/
	@rm -rf .venv .pytest_cache .mypy_cache .ruff_cache .hypothesis build dist
