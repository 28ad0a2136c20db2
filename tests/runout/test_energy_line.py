"""The energy line against a point mass that is integrated in time, against published values, and as a profile."""

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicSpline

from slopekit.kernels.least_head import least_way, scale_of, spread
from slopekit.runout.profile import profile_of
from slopekit.runout.resistance import resistance
from slopekit.runout.settings import RunoutSettings
from slopekit.runout.speed import head_of_speed, speed_of_head

pytestmark = pytest.mark.reference

Array = NDArray[np.float64]
G = 9.80665  # ISO 80000-3, standard gravity


def stops_at(ground: CubicSpline, mu: CubicSpline, speed: float, end: float) -> tuple[float, float]:
    """Plan length (m) and speed (m/s) at which a point mass that slides along a profile stops or gets to `end`.

    Newton's second law along the ground with Coulomb friction mu N, integrated in time. The path is made of straight
    pieces as short as wanted, so that curvature adds nothing to N.
    """

    def law(_: float, state: Array) -> list[float]:
        x, v = state
        angle = math.atan(float(ground(x, 1)))
        # Along the ground; x moves by its cosine.
        return [v * math.cos(angle), -G * (math.sin(angle) + float(mu(x)) * math.cos(angle))]

    def stopped(_: float, state: Array) -> float:
        return float(state[1])

    def arrived(_: float, state: Array) -> float:
        return float(state[0]) - end

    for event in (stopped, arrived):
        event.terminal = True  # type: ignore[attr-defined]
    stopped.direction = -1.0  # type: ignore[attr-defined]
    found = solve_ivp(law, (0.0, 1000.0), [0.0, speed], events=(stopped, arrived), max_step=0.02, rtol=1e-8, atol=1e-9)
    return float(found.y[0, -1]), float(found.y[1, -1])


def profiles(count: int) -> list[tuple[CubicSpline, CubicSpline, float]]:
    """Random ground that falls and then levels out, its resistance, and a speed (m/s)."""
    random = np.random.default_rng(4)
    out = []
    for _ in range(count):
        x = np.arange(0.0, 161.0, 8.0)
        fall = np.tan(np.radians(random.uniform(6.0, 14.0))) * np.minimum(x, 50.0)
        ground = CubicSpline(x, 20.0 - fall - 0.01 * x + random.normal(0.0, 0.15, x.size))
        mu = CubicSpline(x, np.where(x < 50.0, 0.0875, 0.30) + random.uniform(0.0, 0.04, x.size))
        out.append((ground, mu, float(random.uniform(2.0, 6.0))))
    return out


def test_a_point_mass_stops_where_the_energy_line_says() -> None:
    x = np.arange(0.0, 160.0, 0.05)
    for ground, mu, speed in profiles(12):
        z = ground(x)
        line = (
            z[0]
            + speed * speed / (2.0 * G)
            - np.concatenate([[0.0], np.cumsum(0.5 * (mu(x[1:]) + mu(x[:-1])) * np.diff(x))])
        )
        wanted = float(x[np.argmax(line < z)])
        assert 5.0 < wanted < 150.0
        stop, _ = stops_at(ground, mu, speed, 159.0)
        assert stop == pytest.approx(wanted, abs=0.15)


def test_a_point_mass_gets_to_the_hazard_with_the_least_head_and_no_less() -> None:
    # The whole of the kernel, one cell a metre along a strip, and the speed at the hazard.
    half, mids = 3, np.arange(160.0)
    reached = 0
    for ground, mu, _ in profiles(12):
        z, loss = (np.tile(f(mids), (2 * half + 1, 1)) for f in (ground, mu))
        source = np.full(z.shape, np.inf)
        source[:, 80] = z[:, 80]
        front = spread(z, loss, source, 1.0, 1.0, (0, z.shape[0], 0, z.shape[1]), 1000.0)
        head = float(front.energy[half, 0] - z[half, 0])
        # What the scaled moves spare on the way (1.8 %) and what the cells do.
        spared = 0.02 * float(np.sum(loss[half, :80])) + 0.05
        stop, speed = stops_at(ground, mu, math.sqrt(2.0 * G * (head + spared)), 80.0)
        assert stop == pytest.approx(80.0, abs=1e-6) and speed >= 0.0
        if head > 0.1:
            stop, _ = stops_at(ground, mu, math.sqrt(2.0 * G * (head - 0.1)), 80.0)
            assert stop < 80.0
            reached += 1
    assert reached >= 8


def test_published_resistance_of_tyres_on_firm_soil() -> None:
    # ASAE/ASABE D497, motion resistance ratio 1 / Bn + 0.04 + 0.5 s / sqrt(Bn); firm soil Bn = 80 (as quoted in the
    # project's notes, the number from memory). At no slip 0.0525: the default assumes more, and the documents say so.
    firm = 1.0 / 80.0 + 0.04
    assert firm == pytest.approx(0.0525)
    settings = RunoutSettings()
    assert settings.rolling == pytest.approx(math.tan(math.radians(5.0)), rel=2e-4)
    assert firm < settings.rolling < firm + 0.5 * 0.1 / math.sqrt(80.0) + 0.03
    # The company may set it.
    assert float(resistance(np.array([10.0]), 0.35, RunoutSettings(rolling=firm))[0]) == pytest.approx(firm)


def test_published_sliding_friction_on_grass() -> None:
    # Noon, Engineering Analysis of Vehicular Accidents (1994): 0.2 on wet grass, a slide starts at 11.3 degrees; 0.35
    # on dry grass, 19.3 degrees (from memory).
    for friction, degrees in ((0.2, 11.3), (0.35, 19.3)):
        assert math.degrees(math.atan(friction)) == pytest.approx(degrees, abs=0.05)


def test_resistance_by_slope() -> None:
    # Arithmetic of the ramp: rolling above 5 degrees, friction below 3, half way at 4; unknown slope rolls.
    found = resistance(np.array([0.0, 3.0, 4.0, 5.0, 30.0, np.nan]), 0.35, RunoutSettings())
    roll = 0.0875
    assert found == pytest.approx([0.35, 0.35, 0.5 * (0.35 + roll), roll, roll, roll])
    # What holds less than it rolls does not hold: one figure on all ground.
    assert resistance(np.array([0.0, 4.0, 30.0]), 0.05, RunoutSettings()) == pytest.approx([0.05] * 3)
    # A slipperier condition and a lower angle never take more.
    slopes = np.linspace(0.0, 12.0, 121)
    for friction in (0.06, 0.15, 0.2):
        assert (
            resistance(slopes, friction, RunoutSettings()) <= resistance(slopes, friction + 0.1, RunoutSettings())
        ).all()
    for least in (2.0, 3.5, 4.9):
        assert (
            resistance(slopes, 0.3, RunoutSettings(rolls_from_deg=least)) <= resistance(slopes, 0.3, RunoutSettings())
        ).all()


def test_speed_and_head() -> None:
    # Arithmetic: v^2 / 2 g. 15 km/h climb 0.885 m, 44 km/h 7.6 m.
    assert head_of_speed(15.0) == pytest.approx(0.885, abs=1e-3)
    assert head_of_speed(44.0) == pytest.approx(7.62, abs=0.01)
    assert speed_of_head(np.array([0.885, 0.0, np.inf])) == pytest.approx([15.0, 0.0, np.inf], abs=0.01)


def strip() -> tuple[Array, Array, Array]:
    """A slope of 20 %, 20 m of level ground, a hazard at its end."""
    x = np.arange(61.0)
    z = np.tile(np.where(x < 40.0, 8.0 - 0.2 * x, 0.0), (5, 1))
    return z, np.where(np.arange(61) < 40, 0.0875, 0.35) * np.ones_like(z), x


def test_profile_tells_speed_and_stop() -> None:
    z, loss, x = strip()
    way = np.stack([np.full(61, 2), np.arange(61)], axis=1)
    profile = profile_of(z, loss, way, 18.0, 1.0, 1.0)
    scale = scale_of(1.0, 1.0)
    assert profile.distance_m == pytest.approx(scale * x)
    lost = scale * np.concatenate([[0.0], np.cumsum(0.5 * (loss[2, 1:] + loss[2, :-1]))])
    assert profile.line_m == pytest.approx(8.0 + 25.0 / (2.0 * G) - lost)
    # v at the foot of the slope by energy: 25 + 2 g (8 - 3.5).
    assert profile.speed_kmh[40] == pytest.approx(3.6 * math.sqrt(25.0 + 2.0 * G * (8.0 - lost[40])))
    # 5.8 m of head at the foot are gone after 16.8 m of level ground.
    head = 8.0 + 25.0 / (2.0 * G) - lost[40]
    stop = int(np.argmax(np.isnan(profile.speed_kmh)))
    assert stop == 40 + math.ceil(head / (0.35 * scale))
    assert np.isnan(profile.speed_kmh[stop:]).all()


def test_profile_of_the_least_head_arrives_and_of_less_does_not() -> None:
    random = np.random.default_rng(3)
    arrived = 0
    for _ in range(60):
        z = random.normal(0.0, 0.4, (25, 25)) + 0.05 * np.arange(25)[:, None]
        loss = random.uniform(0.08, 0.3, z.shape)
        source = np.full(z.shape, np.inf)
        source[2, 3] = z[2, 3]
        front = spread(z, loss, source, 1.0, 1.0, (0, 25, 0, 25), 1000.0)
        start = (22, 20)
        head = float(front.energy[start] - z[start])
        way = least_way(front, z, loss, start, 1.0, 1.0)
        assert np.isfinite(
            profile_of(z, loss, way, float(speed_of_head(np.array(head + 1e-9))), 1.0, 1.0).speed_kmh
        ).all()
        less = profile_of(z, loss, way, float(speed_of_head(np.array(0.97 * head))), 1.0, 1.0)
        # Also where it is the cells between that stop it.
        assert np.isnan(less.speed_kmh[-1])
        arrived += head > 0.1
    assert arrived == 60
