# Everything a fresh clone needs: make demo | test | lint | bench | sweep | kill | clean
PYTHON ?= python3
VENV   := .venv
ifeq ($(OS),Windows_NT)
BIN    := $(VENV)/Scripts
else
BIN    := $(VENV)/bin
endif
READY  := $(VENV)/.ready

.PHONY: demo test soak lint bench sweep kill clean

demo: $(READY)
	$(BIN)/ohmward demo

test: $(READY)
	$(BIN)/pytest -n 3 --dist worksteal

soak: $(READY)
	$(BIN)/pytest -m soak --soak -n 2 --dist worksteal

lint: $(READY)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(READY)
	$(BIN)/python -m tests.bench

sweep: $(READY)
	$(BIN)/python -m tests.sweep

kill: $(READY)
	$(BIN)/python -m tests.sweep.kill --count 200

$(READY): pyproject.toml setup.py constraints.txt
	$(PYTHON) -m venv $(VENV)
	$(BIN)/pip install --quiet --disable-pip-version-check -c constraints.txt -e ".[dev]"
	touch $(READY)

clean:
	rm -rf $(VENV) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
	find . -name __pycache__ -type d -prune -exec rm -rf {} +
