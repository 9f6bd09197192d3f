"""At what angles do the targets sit, and how sure is that?"""

import numpy as np
import pytest

from kerfbeat.calibrate.cutting import cut
from kerfbeat.calibrate.passes import Block, innovations, pack
from kerfbeat.calibrate.targets import LEAST_TURNS, estimate_spacing, fit_offsets
from kerfbeat.errors import CalibrateError

# Four targets placed to about one degree; the first is the origin of angles.
FOUR = np.array([0.0, 90.9, 179.3, 270.6]) / 360
# Wander model of the tests: 1 % of the speed, correlation 1 s.
WANDER, WANDER_S = 0.01, 1.0


def fitted(machine, runs, seed):
    """Spacing (runs, M) and its standard error, of many runs at once."""
    seconds = machine.seconds(runs, seed=seed)
    numbers = np.arange(machine.passes)
    fit = fit_offsets(
        [Block(seconds=seconds[:, r], numbers=numbers) for r in range(runs)],
        per_turn=machine.targets,
        run_of_block=range(runs),
    )
    offsets = np.concatenate((np.zeros((runs, 1)), fit.offset_turns), axis=1)
    spacing = np.roll(offsets, -1, axis=1) - offsets + 1 / machine.targets
    padded = np.zeros((runs, machine.targets, machine.targets))
    padded[:, 1:, 1:] = fit.covariance
    step = np.roll(np.eye(machine.targets), 1, axis=1) - np.eye(machine.targets)
    u = np.sqrt(np.einsum("ij,rjk,ik->ri", step, padded, step))
    return spacing, u, fit


@pytest.mark.parametrize("tau_s", [0.3, 2.0])
@pytest.mark.parametrize("wander", [1e2, 1e5])
def test_filter_is_generalised_least_squares(wandering, wander, tau_s):
    """The recursion gives what dense matrices give: the same estimate and the same information."""
    machine = wandering(rpm=100, turns=7, angles_turns=FOUR)
    t = machine.seconds(1, seed=5)[:, 0]
    numbers = np.arange(len(t))
    blocks = pack([Block(seconds=t, numbers=numbers)], per_turn=4)
    gram = innovations(blocks, wander=np.array([[wander]]), tau_s=np.array([[tau_s]]))
    product = gram.product[0, 0]
    found = np.linalg.solve(product[1:, 1:], product[1:, 0])

    mean_hz = blocks.mean_hz[0]
    s = t - t[0]
    a = s / tau_s
    covariance = wander * tau_s**2 * (
        2 * np.minimum(a[:, None], a[None, :]) + np.exp(-a)[:, None] + np.exp(-a)[None, :]
        - 1 - np.exp(-np.abs(a[:, None] - a[None, :]))
    )  # fmt: skip
    # Local speed enters the model as the pace of each pass; here it is 1 within the timing noise.
    covariance += np.diag(blocks.pace[:, 0] ** 2)
    offsets = [-(numbers % 4 == j).astype(float) / mean_hz for j in (1, 2, 3)]
    design = np.column_stack([np.ones(len(t)), s, *offsets, (s / s[-1]) ** 2, (s / s[-1]) ** 3])
    y = blocks.place[:, 0] / mean_hz
    information = design.T @ np.linalg.solve(covariance, design)
    dense = np.linalg.solve(information, design.T @ np.linalg.solve(covariance, y))
    # Dense covariance is conditioned on the start, where the filter's first pass defines the place: same estimates.
    np.testing.assert_allclose(found, dense[2:5], rtol=0, atol=2e-8)
    np.testing.assert_allclose(np.linalg.inv(product[1:, 1:]), np.linalg.inv(information)[2:5, 2:5], rtol=1e-3)


@pytest.mark.parametrize(("rpm", "turns"), [(25, 60), (100, 80), (1000, 120)])
def test_errors_reach_the_bound_of_the_wander_model(wandering, long, rpm, turns):
    """1 % wander, 1 s correlation: spread and stated standard error within 25 % of the Cramer-Rao bound."""
    machine = wandering(rpm=rpm, turns=turns, angles_turns=FOUR, wander=WANDER, wander_s=WANDER_S)
    runs = 2000 if long else 300
    spacing, u, _ = fitted(machine, runs, seed=rpm)
    bound = machine.bound_turns()
    spread = np.sqrt(np.mean((spacing - machine.spacing_turns) ** 2, axis=0))
    assert spread.mean() < 1.10 * bound.mean()  # 300 runs of 3 free spacings: sd of the ratio is 2.4 %
    assert np.all(spread < 1.25 * bound)
    assert np.all(np.abs(np.sqrt((u**2).mean(axis=0)) / bound - 1) < 0.10)


@pytest.mark.parametrize(("rpm", "turns"), [(25, 40), (100, 60), (1000, 100)])
def test_errors_reach_the_bound_at_steady_speed(wandering, long, rpm, turns):
    """Timing noise alone: within 10 % of the bound, which is then near sqrt(2 / turns) of the noise."""
    machine = wandering(rpm=rpm, turns=turns, angles_turns=FOUR)
    runs = 2000 if long else 400
    spacing, u, _ = fitted(machine, runs, seed=100 + rpm)
    bound = machine.bound_turns()
    np.testing.assert_allclose(bound, machine.noise_s * rpm / 60 * np.sqrt(2 / turns), rtol=0.03)
    spread = np.sqrt(np.mean((spacing - machine.spacing_turns) ** 2))
    assert spread < 1.06 * np.sqrt((bound**2).mean())  # 400 runs of 3 free spacings: sd of the ratio is 2 %
    assert np.all(np.abs(np.sqrt((u**2).mean(axis=0)) / bound - 1) < 0.05)


@pytest.mark.parametrize(
    ("rpm", "turns", "wander", "wander_s"),
    [
        (25, 60, WANDER, WANDER_S),
        (100, 60, WANDER, WANDER_S),
        (1000, 60, WANDER, WANDER_S),
        (100, 60, 0.0, 1.0),
        (100, 60, 1e-5, 1.0),  # as small as can just be seen beside 5 us
        (100, 60, 3e-5, 0.2),  # quicker than a turn
        (1000, 60, 1e-3, 30.0),  # slow drift
    ],
)  # fmt: skip
def test_intervals_hold_the_truth(wandering, long, rpm, turns, wander, wander_s):
    """95 % intervals of 2000 seeded runs (300 in the short form) hold the true spacing in 93 to 97 %."""
    machine = wandering(rpm=rpm, turns=turns, angles_turns=FOUR, wander=wander, wander_s=wander_s)
    spacing, u, fit = fitted(machine, 2000 if long else 300, seed=7)
    from scipy.stats import t as student

    inside = np.abs(spacing - machine.spacing_turns) < student.ppf(0.975, fit.dof)[:, None] * u
    slack = 0.0 if long else 0.01  # three free spacings in 300 runs: sd of the share is 0.7 %
    assert 0.93 - slack < inside.mean() < 0.97 + slack


@pytest.mark.parametrize("wander", [0.0, WANDER])
def test_few_turns(wandering, long, wander):
    """The shortest run that is accepted still has honest intervals."""
    machine = wandering(rpm=100, turns=LEAST_TURNS, angles_turns=FOUR, wander=wander)
    spacing, u, fit = fitted(machine, 2000 if long else 500, seed=11)
    from scipy.stats import t as student

    inside = np.abs(spacing - machine.spacing_turns) < student.ppf(0.975, fit.dof)[:, None] * u
    assert 0.93 < inside.mean() < 0.97


@pytest.mark.parametrize("profile", [lambda t: np.exp(-t / 25), lambda t: np.maximum(0.02, 1 - t / 70)])
def test_run_down(wandering, profile):
    """While the wheel runs down, by friction of either kind: spread and stated error agree."""
    machine = wandering(rpm=300, turns=110, angles_turns=FOUR, wander=2e-3)
    zs = []
    for seed in range(40):
        seconds = machine.seconds(1, seed=seed, profile=profile)[:, 0]
        spacing = estimate_spacing([Block(seconds=seconds, numbers=np.arange(len(seconds)))], targets=4)
        zs.append((spacing.spacing_turns - machine.spacing_turns) / spacing.u_turns)
    assert 0.75 < np.sqrt(np.mean(np.square(zs))) < 1.25  # 120 free values: sd of the rms is 6 %


def test_missed_pulses_do_not_shift_the_pattern(wandering):
    """Numbers tell which passes are there; a tenth of them missing leaves the truth inside the interval."""
    machine = wandering(rpm=100, turns=300, angles_turns=FOUR, wander=WANDER)
    seconds = machine.seconds(1, seed=3)[:, 0]
    keep = np.random.default_rng(4).random(len(seconds)) > 0.1
    keep[:5] = True
    spacing = estimate_spacing([Block(seconds=seconds[keep], numbers=np.flatnonzero(keep))], targets=4)
    assert np.all(np.abs(spacing.spacing_turns - machine.spacing_turns) < 1.5 * spacing.u95_turns)
    whole = estimate_spacing([Block(seconds=seconds, numbers=np.arange(len(seconds)))], targets=4)
    assert np.all(spacing.u_turns > whole.u_turns)


@pytest.mark.parametrize(("targets", "turns"), [(2, 60), (3, 60), (6, 60), (24, 60), (60, 60)])
def test_any_number_of_targets(wandering, targets, turns):
    random = np.random.default_rng(targets)
    angles = (np.arange(targets) + np.concatenate(([0.0], random.uniform(-0.05, 0.05, targets - 1)))) / targets
    machine = wandering(rpm=100, turns=turns, angles_turns=angles, wander=WANDER)
    seconds = machine.seconds(1, seed=9)[:, 0]
    spacing = estimate_spacing([Block(seconds=seconds, numbers=np.arange(len(seconds)))], targets=targets)
    assert spacing.spacing_turns.sum() == pytest.approx(1.0, abs=1e-12)
    z = (spacing.spacing_turns - machine.spacing_turns) / spacing.u_turns
    assert np.abs(z).max() < 4.5
    assert np.sqrt(np.mean(z**2)) < 1.6


def test_a_loose_target_widens_the_errors(wandering):
    """A target that shifts in the middle of the run makes its parts disagree, and that is said."""
    machine = wandering(rpm=100, turns=300, angles_turns=FOUR)
    seconds = machine.seconds(1, seed=3)[:, 0]
    numbers = np.arange(len(seconds))
    steady = estimate_spacing([Block(seconds=seconds, numbers=numbers)], targets=4)
    assert steady.widened == 1.0
    seconds[(numbers % 4 == 2) & (numbers > 600)] += 0.6 * 0.1 / 360  # a tenth of a degree later
    loose = estimate_spacing([Block(seconds=seconds, numbers=numbers)], targets=4)
    assert loose.widened > 3
    assert loose.u_turns[1] > 3 * steady.u_turns[1]


def test_long_runs_are_cut_without_losing_passes():
    seconds = np.arange(2401) * 0.01
    pieces = cut(Block(seconds=seconds, numbers=np.arange(2401)), per_turn=4)
    assert len(pieces) == 10
    assert pieces[0].seconds[-1] == pieces[1].seconds[0]
    assert sum(len(piece.seconds) - 1 for piece in pieces) == 2400


def test_another_target_called_first(wandering):
    machine = wandering(rpm=100, turns=60, angles_turns=FOUR)
    spacing = estimate_spacing([Block(seconds=machine.seconds(1, seed=1)[:, 0], numbers=np.arange(241))], targets=4)
    turned = spacing.begun_at(3)
    assert turned.spacing_turns[0] == spacing.spacing_turns[3]
    assert turned.u_turns[1] == spacing.u_turns[0]


@pytest.mark.parametrize(
    ("targets", "turns", "said"),
    [(4, LEAST_TURNS - 1, "too few"), (1, 100, "one target"), (400, 20, "too many")],
)
def test_refused(targets, turns, said):
    numbers = np.arange(turns * targets + 1)
    with pytest.raises(CalibrateError, match=said):
        estimate_spacing([Block(seconds=numbers * 0.1, numbers=numbers)], targets=targets)
