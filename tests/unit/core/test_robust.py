import numpy as np

from nightbay.core import robust


def test_tukey_leaves_out_what_lies_beyond_the_limit():
    assert np.allclose(robust.tukey(np.array([0.0, 1.0, 2.0, -3.0]), 2.0), [1.0, 0.5625, 0.0, 0.0])


def test_step_solves_a_line_through_blunders():
    rng = np.random.default_rng(2)
    x = rng.uniform(-1, 1, 400)
    rows = np.column_stack([np.ones(400), x])
    value = 3.0 + 0.5 * x
    value[::10] += 40.0
    solution = np.array([2.0, 0.0])
    for _ in range(20):
        solution = solution + robust.step(rows, rows @ solution - value, 5.0, np.arange(400) % 8).change
    assert np.allclose(solution, [3.0, 0.5], atol=1e-6)


def test_covariance_of_blocks_tells_the_scatter_that_neighbours_share():
    """One error a block of 50 points: the sd of the mean is sd / sqrt(blocks), not sd / sqrt(points)."""
    rng = np.random.default_rng(3)
    block = np.repeat(np.arange(12), 50)
    rows = np.ones((600, 1))
    means, variances = [], []
    for _ in range(300):
        error = rng.normal(0, 1.0, 12)[block] + rng.normal(0, 0.1, 600)
        step = robust.step(rows, -error, np.inf, block)
        means.append(step.change[0])
        variances.append(step.covariance[0, 0])
    # 300 runs with 11 degrees of freedom: the ratio's standard deviation is 0.07
    assert abs(np.mean(variances) / np.var(means) - 1) < 0.25
    assert np.std(means) > 0.2


def test_a_parameter_that_nothing_sees_is_told_by_the_condition():
    rows = np.column_stack([np.ones(20), np.ones(20)])
    step = robust.step(rows, np.zeros(20), 1.0, np.arange(20) % 4)
    assert step.condition > 1e12
    assert np.isinf(step.covariance).all()
