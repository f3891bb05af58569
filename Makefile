# The few commands a person types. Without make: python -m venv .venv, then the pip line below,
# then python -m cohortlib demo, test, lab or check FOLDER.

PYTHON ?= python3
python := .venv/bin/python
installed := .venv/installed

.PHONY: demo test lab benchmark simulate

demo test lab: $(installed)
	@$(python) -m cohortlib $@

simulate: $(installed)
	@$(python) tests/simulations/flags_and_intervals_of_change.py
	@$(python) tests/simulations/hips_that_go_another_way.py

benchmark: $(installed)
	@$(python) -m pytest tests/benchmarks --override-ini=addopts= --benchmark-only \
		--benchmark-columns=median,iqr,rounds --benchmark-sort=name

# Once there, nothing asks the network again until the dependencies or their pins change.
$(installed): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(None if sys.version_info >= (3, 11) else "Python 3.11 or later is needed: make PYTHON=...")'
	@echo "Installing into .venv (about a minute)"
	@$(PYTHON) -m venv .venv
	@$(python) -m pip install --disable-pip-version-check --constraint constraints.txt --editable '.[dev]'
	@touch $@
