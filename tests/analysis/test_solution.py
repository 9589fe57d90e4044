"""The re-weighted solver against plain linear algebra, which it must equal where nothing is an outlier."""

from dataclasses import replace

import numpy as np
import pytest

from logbook.analysis.solution import Problem, solve


def problem(rng, spans=30):
    """A chain of spans whose neighbours share an anchor, with one side row and two unknowns."""
    truth = np.array([97.0, 0.05])
    anchor_sigma = rng.uniform(0.3, 0.8, spans + 1)
    anchor_error = rng.normal(0.0, anchor_sigma)
    own_sigma = rng.uniform(0.2, 0.5, spans)
    design = np.column_stack([rng.choice([-1.0, 0.0, 1.0], spans), rng.uniform(5.0, 60.0, spans)])
    data = design @ truth + np.diff(anchor_error) + rng.normal(0.0, own_sigma)
    return Problem(
        names=("capacity_ah", "drift_a"),
        design=design,
        data=data,
        own_variance=own_sigma**2,
        shared=-(anchor_sigma[1:-1] ** 2),
        anchor_variance=anchor_sigma[:-1] ** 2 + anchor_sigma[1:] ** 2,
        side_design=np.array([[0.0, 1.0]]),
        side_data=np.array([0.05]),
        side_variance=np.array([0.01**2]),
        prior_mean=np.array([90.0, 0.0]),
        prior_sigma=np.array([60.0, 0.2]),
        never_negative=np.zeros(2, np.bool_),
    )


def test_one_round_equals_dense_generalised_least_squares(rng):
    """Against Gauss and Markov's formula written out with NumPy: (XᵀV⁻¹X + P⁻¹)⁻¹(XᵀV⁻¹y + P⁻¹m)."""
    posed = problem(rng)
    covariance = (
        np.diag(posed.own_variance + posed.anchor_variance) + np.diag(posed.shared, 1) + np.diag(posed.shared, -1)
    )
    design = np.vstack([posed.design, posed.side_design])
    data = np.append(posed.data, posed.side_data)
    full = np.zeros((len(data), len(data)))
    full[:-1, :-1], full[-1, -1] = covariance, posed.side_variance[0]
    weight, prior = np.linalg.inv(full), np.diag(posed.prior_sigma**-2.0)
    normal = design.T @ weight @ design + prior
    expected = np.linalg.solve(normal, design.T @ weight @ data + prior @ posed.prior_mean)

    solution = solve(posed, rounds=1)

    assert solution.mean == pytest.approx(expected, rel=1e-9)
    assert solution.covariance / solution.birge**2 == pytest.approx(np.linalg.inv(normal), rel=1e-6)


def test_a_gross_outlier_hardly_moves_the_answer(rng):
    posed = problem(rng)
    place = int(np.flatnonzero(posed.design[:, 0])[3])
    spoilt = replace(posed, data=posed.data + np.where(np.arange(len(posed.data)) == place, 40.0, 0.0))

    clean, robust = solve(posed), solve(spoilt)

    assert robust.weight[place] < 0.1
    assert robust.mean[0] == pytest.approx(clean.mean[0], abs=0.6)


def test_with_no_spans_the_prior_and_the_side_rows_are_the_answer(rng):
    posed = problem(rng)
    empty = replace(
        posed,
        design=np.empty((0, 2)),
        data=np.empty(0),
        own_variance=np.empty(0),
        shared=np.empty(0),
        anchor_variance=np.empty(0),
    )

    solution = solve(empty)

    assert solution.mean[0] == pytest.approx(90.0)
    assert solution.mean[1] == pytest.approx(0.05, abs=0.002)


def test_errors_are_widened_where_the_fit_is_worse_than_they_say(rng):
    posed = problem(rng)
    boastful = replace(
        posed,
        own_variance=posed.own_variance / 16,
        anchor_variance=posed.anchor_variance / 16,
        shared=posed.shared / 16,
    )

    assert solve(boastful).birge > 1.3
