# What a person types. `make demo` serves the invented shop, `make test` proves it; both make what they need.

PORT ?= 8000
# A distribution's Python is compiled with profiles, and one compiled by hand often is not: a sixth slower here.
PYTHON ?= $(shell for python in /usr/bin/python3.11 python3.11 python3; do \
	"$$python" -c "import ensurepip, venv" 2>/dev/null && command -v "$$python" && exit; done; echo python3)
BIN := .venv/bin
# The environment is made anew when a lock changes: the mark's name holds the lock's checksum.
READY_TO_RUN := .venv/.runtime-$(shell cksum < requirements/runtime.txt | tr ' ' '-')
READY_TO_TEST := .venv/.dev-$(shell cksum < requirements/dev.txt | tr ' ' '-')
INSTALL = $(BIN)/uv pip install --quiet --python $(BIN)/python --require-hashes

.PHONY: demo test test-long lint bench env lock clean-env
.DEFAULT_GOAL := demo

demo: $(READY_TO_RUN)
	@$(BIN)/python manage.py demo --port $(PORT)

test: $(READY_TO_TEST)
	@$(BIN)/python -m tests.servers.chromium
	@$(BIN)/python -m tests.run

test-long: $(READY_TO_TEST)
	@$(BIN)/python -m tests.servers.chromium
	@$(BIN)/python -m tests.run --long

lint: $(READY_TO_TEST)
	@$(BIN)/python -m tests.run --lint

bench: $(READY_TO_TEST)
	@for file in tests/bench/bench_*.py; do \
		echo "== $$file" && $(BIN)/python -m "tests.bench.$$(basename $$file .py)" || exit 1; done

env: $(READY_TO_TEST)

# Resolve the dependencies of pyproject.toml anew, with hashes and without addresses.
lock: $(BIN)/uv
	@$(BIN)/uv pip compile --quiet --generate-hashes --no-header --python-version 3.11 pyproject.toml -o requirements/runtime.txt
	@$(BIN)/uv pip compile --quiet --generate-hashes --no-header --python-version 3.11 --extra dev pyproject.toml -o requirements/dev.txt

clean-env:
	rm -rf .venv

$(BIN)/uv: requirements/uv.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "Coldgap needs Python 3.11 or newer; name one with: make PYTHON=/path/to/python3.11"; exit 1; }
	@echo "Making the environment in .venv …"
	@$(PYTHON) -m venv .venv
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements/uv.txt
	@touch $@

$(READY_TO_RUN): | $(BIN)/uv
	@$(INSTALL) -r requirements/runtime.txt
	@rm -f .venv/.runtime-* && touch $@

$(READY_TO_TEST): | $(READY_TO_RUN)
	@$(INSTALL) -r requirements/dev.txt
	@rm -f .venv/.dev-* && touch $@
