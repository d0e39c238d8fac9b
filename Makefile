# Two commands do all set-up on a fresh machine: `make demo` and `make test`.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin

.PHONY: demo test check bench mutants env clean docs pictures package lock sbom

env: $(VENV)/.ready

# Any editable installation warns of folders with the package's name: here they are the package.
$(VENV)/.ready: pyproject.toml
	@$(PYTHON) -c 'import sys; v = sys.version_info[:2]; sys.exit(None if (3, 11) <= v <= (3, 13) else "weedset needs Python 3.11 to 3.13, this is %d.%d: run `make PYTHON=python3.12 ...`" % v)'
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --upgrade pip
	PYTHONWARNINGS='ignore:Editable installation' \
	    $(BIN)/python -m pip install --quiet --disable-pip-version-check -e '.[dev]'
	touch $@

demo: env
	$(BIN)/python -m sample_data.demo

check: env
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

# Two at a time: most tests use one core, and those of a file share what they trained.
test: env check
	$(BIN)/python -m pytest -n 2 --dist loadfile

bench: env
	$(BIN)/python -m pytest -m benchmark -s tests/benchmarks

# Are the tests of what must not be wrong worth their name? Breaks that code in 2000 ways, one
# at a time, and lists what no test noticed; `mutmut show NAME` shows one. Takes half an hour on
# 2 busy cores, so it is no part of CI; `make mutants ONLY='weedset.splits.*'` does one module.
# From scratch each time: mutmut would keep old copies of what it does not break.
ONLY ?=
mutants: env
	rm -rf mutants
	OMP_NUM_THREADS=1 $(BIN)/mutmut run --max-children 2 $(ONLY)
	$(BIN)/mutmut results

# The pages and pictures that programs write.
docs: env
	PYTHONPATH=. $(BIN)/python docs/commands.py

pictures: env
	test -d demo || $(MAKE) demo
	PYTHONPATH=. $(BIN)/python docs/pictures.py demo

# What is given away: sdist and wheel, the exact versions tested with, a list of ingredients.
# setuptools warns where the shell forbids bytecode, of which none goes into a wheel anyway.
package: env
	env -u PYTHONDONTWRITEBYTECODE $(BIN)/python -m build --no-isolation --outdir dist .

lock: env
	$(BIN)/python .ci/lock.py > .requirements.lock.part
	mv .requirements.lock.part requirements.lock

sbom: env
	mkdir -p build
	$(BIN)/cyclonedx-py environment --pyproject pyproject.toml --output-reproducible \
	    -o build/sbom.json $(BIN)/python

clean:
	rm -rf $(VENV) demo build dist mutants *.egg-info
