"""The wheel between its rows, its coarse ticks, and the way it went."""

import numpy as np
import pytest

from thermosaic.kernels import odometry


def test_rows_that_pause_put_the_paver_between_what_they_say() -> None:
    """Linear between running rows; in a 100 s pause the middle of the 6 cm it turned, +- 6 cm / sqrt 12."""
    row_s = np.array([0.0, 1.0, 2.0, 102.0, 103.0])
    wheel = np.array([0.0, 0.1, 0.2, 0.26, 0.36])
    distance, sigma = odometry.distance_at(row_s, wheel, np.array([0.5, 50.0, 102.5, 200.0]))
    assert distance[:3] == pytest.approx([0.05, 0.23, 0.31])
    assert np.isnan(distance[3])
    assert sigma[:3] == pytest.approx([0.0, 0.06 / np.sqrt(12), 0.0])


@pytest.mark.parametrize("tick_m", [0.1, 0.25])
def test_a_coarse_counter_runs_evenly_between_ticks(tick_m: float) -> None:
    """0.1 m/s at 4 Hz on ticks of 10 or 25 cm: within a row's travel; a stop holds half a tick."""
    time = np.arange(0.0, 400.0, 0.25)
    truth = np.where(time < 150, 0.1 * time, np.where(time < 250, 15.0, 15.0 + 0.1 * (time - 250)))
    counter = np.floor(truth / tick_m + 1e-9) * tick_m
    smooth = odometry.between_counts(time, counter)
    moving = ((time > 5) & (time < 145)) | ((time > 256) & (time < 395))
    assert np.abs(smooth - truth)[moving].max() < 0.03
    assert np.abs(smooth - truth)[~moving & (time > 5) & (time < 395)].max() <= tick_m
    assert np.diff(smooth).min() >= 0


def test_a_fine_counter_is_left_as_it_is() -> None:
    """Ticks at every row are not touched."""
    wheel = np.arange(50) * 0.02
    assert odometry.between_counts(np.arange(50.0), wheel) is wheel


def back_up_log(rising: bool) -> tuple[np.ndarray, ...]:
    """20 m ahead, 3 m back, ahead again, with pauses; the counter falls or keeps rising."""
    time = np.arange(0.0, 600.0, 0.5)
    place = np.interp(time, [0, 200, 210, 240, 250, 600], [0.0, 20.0, 20.0, 17.0, 17.0, 52.0])
    wheel = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(place)))]) if rising else place
    fixes = np.column_stack([np.zeros(len(time)), place])
    return time, wheel, fixes


@pytest.mark.parametrize("rising", [True, False])
def test_a_back_up_is_seen_by_the_fixes(rising: bool) -> None:
    """A counter that keeps rising is turned round for the 3 m back; one that falls needs no help."""
    time, wheel, fixes = back_up_log(rising)
    sign = odometry.direction_of_runs(time, wheel, time, fixes, np.full(len(time), 0.02))
    turned = wheel[0] + np.concatenate([[0.0], np.cumsum(np.diff(wheel) * sign)])
    assert turned == pytest.approx(fixes[:, 1], abs=1e-9)


@pytest.mark.parametrize(("step_s", "rests"), [(0.1, True), (0.2, False), (1.0, True), (2.0, False)])
def test_pauses_are_seen_in_trembling_and_in_sparse_rows(step_s: float, rests: bool) -> None:
    """2 mm of noise at ten rows a second, or a row a second or two, also none at rest: the 3 m back are found."""
    time, wheel, fixes = back_up_log(rising=True)
    rows = np.arange(0.0, time[-1], step_s) + 0.37 * step_s
    counter = np.interp(rows, time, wheel) + np.random.default_rng(5).normal(0, 0.002, len(rows))
    if not rests:
        keep = np.concatenate([[True], np.diff(np.interp(rows, time, wheel)) > 1e-6])
        rows, counter = rows[keep], counter[keep]
    sign = odometry.direction_of_runs(rows, counter, time, fixes, np.full(len(time), 0.01))
    assert -np.diff(counter)[sign < 0].sum() == pytest.approx(-3.0, abs=0.1)


def test_a_long_run_into_another_road_is_no_back_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """200 m north, a stop, 80 m south on another road, a stop, 200 m north: nobody backs up 80 m."""
    time = np.arange(0.0, 1300.0, 0.5)
    north = np.interp(time, [0, 500, 520, 720, 740, 1240, 1300], [0.0, 200, 200, 120, 120, 320, 320])
    wheel = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(north)))])
    fixes = np.column_stack([np.zeros(len(time)), north])
    sigma = np.full(len(time), 0.02)
    assert (odometry.direction_of_runs(time, wheel, time, fixes, sigma) == 1).all()
    monkeypatch.setattr(odometry, "LONGEST_M", 100.0)
    assert (odometry.direction_of_runs(time, wheel, time, fixes, sigma) == -1).any()


def test_a_turn_round_later_does_not_turn_the_start_round() -> None:
    """12 m north, a stop, 40 m on, and 100 m back: the first 12 m went ahead, whatever the whole later run did."""
    time = np.arange(0.0, 1000.0, 0.5)
    north = np.interp(time, [0, 60, 90, 290, 790, 1000], [0.0, 12.0, 12.0, 52.0, -48.0, -48.0])
    wheel = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(north)))])
    fixes = np.column_stack([np.zeros(len(time)), north])
    assert (odometry.direction_of_runs(time, wheel, time, fixes, np.full(len(time), 0.02)) == 1).all()


def test_noisy_fixes_turn_nothing_round() -> None:
    """With 2 m of noise the fixes cannot tell, and the counter is believed."""
    time, wheel, fixes = back_up_log(rising=True)
    assert (odometry.direction_of_runs(time, wheel, time, fixes, np.full(len(time), 2.0)) == 1).all()


def test_speed_is_signed_and_survives_sparse_rows() -> None:
    """0.1 m/s ahead, 0.05 m/s back, rows 0.25 s or 10 s apart."""
    for step in (0.25, 10.0):
        time = np.arange(0.0, 200.0 + step, step)
        place = np.where(time < 100, 0.1 * time, 10.0 - 0.05 * (time - 100))
        speed = odometry.speed_of_rows(time, place)
        assert speed[time < 85] == pytest.approx(0.1)
        assert speed[time > 115] == pytest.approx(-0.05)
