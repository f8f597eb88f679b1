# Two commands set everything up on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
BIN := .venv/bin

.PHONY: demo test lint format clean

.venv/ready: pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "splitboard needs Python 3.11 or later")'
	$(PYTHON) -m venv .venv
	$(BIN)/python -m pip install --quiet --upgrade "pip>=25.1"
	$(BIN)/python -m pip install --quiet --constraint constraints.txt --editable . --group dev
	touch .venv/ready

demo: .venv/ready          ## run the whole job on the example trial; ends with the report's name
	rm -rf build/lacewood-counter
	$(BIN)/splitboard demo build/lacewood-counter

test: .venv/ready          ## run every test
	$(BIN)/python -m pytest -n 2

lint: .venv/ready          ## style and types
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

format: .venv/ready
	$(BIN)/ruff check --fix .
	$(BIN)/ruff format .

clean:
	rm -rf .venv build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
