import numpy as np
import pytest

from cohortlib.errors import StudyError
from cohortlib.stats.bootstrap import check_draws, cluster_bootstrap


def mean_of(sums, counts):
    """The mean of rows, from the sum and count of each patient."""
    return lambda weights: ((weights @ sums) / (weights @ counts))[:, None]


# by hand --------------------------------------------------------------------------------------------------


def test_statistic_on_the_data_is_the_estimate():
    found = cluster_bootstrap(mean_of(np.array([1.0, 2, 6]), np.ones(3)), clusters=3, seed=1)
    assert found.estimate[0] == pytest.approx(3)
    assert "fewer than 20 patients" in found.note


def test_no_spread_gives_no_interval():
    found = cluster_bootstrap(mean_of(np.ones(30), np.ones(30)), clusters=30, seed=1)
    assert found.estimate[0] == pytest.approx(1)
    assert np.isnan(found.low[0])
    assert "no interval" in found.note


def test_one_odd_patient_gives_percentiles_and_says_so():
    # Readings that agree to a hair in 39 patients and differ by two degrees in one.
    values = np.append(np.random.default_rng(4).normal(0, 0.02, 39), 2.0)

    def log_spread(weights):
        mean = weights @ values / 40
        return np.log(weights @ values**2 / 40 - mean**2)[:, None] / 2

    found = cluster_bootstrap(log_spread, clusters=40, seed=1)
    assert "interval by percentiles" in found.note
    assert np.exp(found.high[0]) < 1
    assert found.low[0] < found.estimate[0] < found.high[0]


# by law ---------------------------------------------------------------------------------------------------


def test_interval_moves_and_scales_with_the_data():
    sums = np.random.default_rng(2).normal(size=25)
    one = cluster_bootstrap(mean_of(sums, np.ones(25)), clusters=25, seed=1)
    other = cluster_bootstrap(mean_of(5 - 3 * sums, np.ones(25)), clusters=25, seed=1)
    assert other.low[0] == pytest.approx(5 - 3 * one.high[0])


# by recovery ----------------------------------------------------------------------------------------------


def test_large_samples_give_the_normal_interval():
    values = np.random.default_rng(3).normal(size=120)
    found = cluster_bootstrap(mean_of(values, np.ones(120)), clusters=120, seed=1)
    error = values.std(ddof=1) / np.sqrt(120)
    assert found.low[0] == pytest.approx(values.mean() - 1.96 * error, abs=0.2 * error)
    assert found.high[0] == pytest.approx(values.mean() + 1.96 * error, abs=0.2 * error)


# by failure -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("cluster", "seed"), [(None, 1), ("patient_id", None)])
def test_draws_need_a_patient_and_a_seed(cluster, seed):
    with pytest.raises(StudyError, match="Give both"):
        check_draws(cluster, seed)
