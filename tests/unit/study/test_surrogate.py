import numpy as np
import pytest

from fem.study.surrogate import fit


def wavy(points: np.ndarray) -> np.ndarray:
    return np.sin(3.0 * points[:, 0]) + points[:, 1] ** 2


def spread(count: int, axes: int = 2, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).random((count, axes))


def test_a_smooth_function_is_met_between_its_points():
    found = fit(points := spread(30), wavy(points))
    mean, deviation = found.predict(other := spread(50, seed=2))
    assert np.abs(mean - wavy(other)).max() < 0.02
    assert deviation.max() < 0.1


def test_error_of_a_run_left_out_is_that_of_a_process_without_it():
    points = spread(12)
    values = wavy(points) + 0.1 * np.random.default_rng(5).standard_normal(12)
    found = fit(points, values)
    for index in (0, 7):
        others = np.arange(12) != index
        # the same kernel through the eleven others, solved directly
        kernel = found._kernel
        weights = np.linalg.solve(kernel(points[others]), (values[others] - values.mean()) / values.std())
        without = values.mean() + values.std() * kernel.k1(points[index][None], points[others]) @ weights
        assert found.left_out[index] == pytest.approx(without[0], abs=1e-6)
    assert found.error == pytest.approx(np.sqrt(np.mean((values - found.left_out) ** 2)))


def test_noise_is_told_from_shape():
    points = spread(80)
    noise = 0.1
    found = fit(points, wavy(points) + noise * np.random.default_rng(3).standard_normal(80))
    assert found.noise == pytest.approx(noise, rel=0.25)


def test_what_matters_has_the_shorter_scale():
    points = spread(30, 3)
    found = fit(points, np.sin(6.0 * points[:, 0]) + 0.05 * points[:, 1])
    assert found.scales[0] < 0.3 * min(found.scales[1:])


def test_more_points_without_their_surprise_change_no_mean_and_narrow_the_band():
    found = fit(points := spread(12), wavy(points))
    new = np.array([[0.9, 0.95]])
    believed = found.with_points(new, found.predict(new)[0])
    other = np.array([[0.85, 0.9], [0.2, 0.3]])
    np.testing.assert_allclose(believed.predict(other)[0], found.predict(other)[0], atol=1e-6)
    assert (believed.predict(other)[1] <= found.predict(other)[1] + 1e-9).all()
    assert believed.predict(new)[1][0] < 0.2 * found.predict(new)[1][0]


def test_equal_values_and_equal_arguments():
    flat = fit(points := spread(6), np.full(6, 4.0))
    assert flat.predict(points)[0] == pytest.approx(np.full(6, 4.0))
    first, second = (fit(points, wavy(points), seed=3).predict(spread(5, seed=9)) for _ in range(2))
    np.testing.assert_array_equal(first, second)


@pytest.mark.parametrize("values", [[1.0], [1.0, np.nan]])
def test_what_cannot_be_fitted_is_refused(values: list[float]):
    with pytest.raises(ValueError, match="two or more points with finite values"):
        fit(spread(len(values)), np.array(values))
