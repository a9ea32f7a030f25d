# Two commands do all set-up: `make demo` and `make test`. See README.md.
SHELL := /bin/bash
VENV  := .venv
PY    := $(VENV)/bin/python
STAMP := .stamps
WEB   := $(shell find web -type f -not -path '*/node_modules/*' -not -path 'web/dist/*' 2>/dev/null)
PORT  ?= 8470
PATIENTS ?= demo-data

.PHONY: demo test check lock types pictures bench verify clean
.DELETE_ON_ERROR:

demo: $(STAMP)/app ## the main job on invented patients; prints the address
	@$(PY) -m headstock demo --data "$(PATIENTS)" --port $(PORT)

test: $(STAMP)/app $(STAMP)/dev ## every test, installing what the tests need
	@bash tools/system_packages.sh
	@echo "== tests of the front end"
	@$(PY) tools/node.py run test
	@echo "== tests"
	@OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 $(PY) -m pytest -n 2 --dist loadfile $(ARGS)

check: $(STAMP)/app $(STAMP)/dev ## linters and type checkers
	$(VENV)/bin/ruff check
	$(VENV)/bin/ruff format --check
	$(VENV)/bin/codespell src docs tests tools README.md Makefile
	$(VENV)/bin/mypy
	$(VENV)/bin/lint-imports
	$(PY) tools/node.py exec -- tsc --noEmit

$(STAMP)/venv:
	@bash tools/make_venv.sh $(VENV)
	@mkdir -p $(STAMP) && touch $@

$(STAMP)/run: requirements/run.lock $(STAMP)/venv
	@echo "== 1 of 3: Python packages (about 650 MB the first time)"
	@$(PY) -m pip install --disable-pip-version-check --require-hashes -r requirements/run.lock
	@touch $@

$(STAMP)/app: pyproject.toml tools/hatch_build.py tools/node.py $(WEB) $(STAMP)/run
	@echo "== 2 of 3: headstock and its front end"
	@$(PY) -m pip install --disable-pip-version-check --no-build-isolation --no-deps --no-index -e .
	@touch $@

$(STAMP)/dev: requirements/dev.lock $(STAMP)/run
	@echo "== 3 of 3: packages of the tests and checks"
	@$(PY) -m pip install --disable-pip-version-check --require-hashes -r requirements/dev.lock
	@touch $@

pictures: $(STAMP)/app $(STAMP)/dev ## the pictures of the documents, from the browser journey
	HEADSTOCK_PICTURES=1 $(PY) -m pytest tests/browser/test_journey.py

types: $(STAMP)/app ## TypeScript types from the server's schema
	$(PY) tools/openapi_types.py web/openapi.json && $(PY) tools/node.py run types

lock: ## lock files without hosts; needs uv
	bash tools/lock.sh

bench: $(STAMP)/app
	$(PY) -m headstock bench

verify: $(STAMP)/app
	$(PY) -m headstock verify

clean:
	rm -rf $(VENV) $(STAMP) web/node_modules src/headstock/static
