# Two commands do all the set-up: `make demo` and `make test`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: demo test lint types format pages lock clean

demo: $(STAMP)
	@$(BIN)/cartonverdict replay demo_images --recipe recipes/demo --report out/demo.html --jobs 2

test: $(STAMP)
	@$(BIN)/python -m pytest -q

lint: $(STAMP)
	@$(BIN)/ruff format --check . && $(BIN)/ruff check . && $(BIN)/lint-imports

format: $(STAMP)
	@$(BIN)/ruff format . && $(BIN)/ruff check --fix .

types: $(STAMP)
	@$(BIN)/pyright

# Every package is pinned by version and hash; then our own two packages, editable.
$(STAMP): requirements.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
		{ echo "Python 3.11 or newer is needed; set PYTHON=..."; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
		{ echo "python3-venv is missing: apt-get install python3-venv"; exit 1; }
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.txt
	@$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e .
	@$(BIN)/python -c 'import pyzbar.pyzbar' 2>/dev/null || \
		echo "note: libzbar0 is missing (apt-get install libzbar0): codes are read by one reader only"
	@touch $@

# Reference pages of the steps and the JSON Schema, made from the models.
pages: $(STAMP)
	@$(BIN)/cartonverdict steps --write recipes/reference
	@$(BIN)/cartonverdict schema --write recipes/schemas/recipe.schema.json

# Renews the pins from pyproject.toml (needs uv).
lock:
	uv pip compile pyproject.toml --extra test --extra build --universal \
		--python-version 3.11 --generate-hashes --no-header --no-annotate -o requirements.txt

clean:
	rm -rf $(VENV) out
