"""The examples in the docstrings run and give what they say."""

import doctest
import importlib

import pytest

MODULES = (
    "agreement.limits",
    "agreement.intraclass",
    "agreement.detectable",
    "agreement.kappa",
    "clustered",
    "association",
    "small_cells",
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    module = importlib.import_module(f"cohortlib.stats.{name}")
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0
