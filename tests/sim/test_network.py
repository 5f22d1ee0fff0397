"""The network against closed forms, a published worked example, an independent solver, and its own books."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.special import gammainc

import sim.network
from sim.network import Heat, Network
from sim.wiring import Wiring

ROOM_C = 23.0
NODES = ["die", "plate", "coolant", "hot", "radiator", "cold", "air"]


def bead(j_per_k, w_per_k, start_c, gas_c):
    wiring = Wiring({"bead": j_per_k}, ["gas"], {})
    wiring.conduct("film", "bead", "gas", w_per_k)
    return Network(wiring, {"gas": gas_c}, start_c)


def loop(start_c=ROOM_C):
    """Die, plate, a loop of coolant through a radiator, and a stream of air from and to the room."""
    capacities = {
        "die": 15.0,
        "plate": 150.0,
        "coolant": 40.0,
        "hot": 60.0,
        "radiator": 700.0,
        "cold": 60.0,
        "air": 8.0,
    }
    wiring = Wiring(capacities, ["room"], {"load": "die"})
    wiring.conduct("paste", "die", "plate", 15.0)
    wiring.conduct("film", "plate", "coolant", 60.0)
    wiring.conduct("fins", "radiator", "air", 30.0)
    wiring.carry("loop", ["coolant", "hot", "radiator", "cold", "coolant"], 60.0)
    wiring.carry("breeze", ["room", "air", "room"], 20.0)
    return Network(wiring, {"room": ROOM_C}, start_c)


def state(network):
    return [network.temperature_c(name) for name in NODES]


class Settings:
    """Coefficients and inputs that depend on the state and on random numbers, as an owner would refresh them."""

    def __init__(self, network, seed):
        self.network = network
        self.random = np.random.default_rng(seed)

    def __call__(self):
        network = self.network
        if self.random.random() < 0.1:
            network.set_link("loop", float(self.random.choice([0.0, 20.0, 70.0])))
            network.set_link("breeze", 30.0 * float(self.random.random()))
        warm = network.temperature_c("radiator") > 35.0
        network.set_link("fins", 35.0 if warm else 30.0)
        network.set_outside("room", ROOM_C + float(self.random.random()))
        load_w = 200.0 * float(self.random.random())
        network.set_heat("load", Heat(load_w, 0.002 * load_w, 60.0))


class TestPublishedExamples:
    def test_thermocouple_bead_reaches_99_percent_when_the_textbook_says(self):
        # Cengel, Heat Transfer, example 4-1 (companion code at git.fossee.in, Scilab-TBC-Uploads 587/CH4/EX4.1):
        # bead of 1 mm, rho 8500, cp 320, h 210: b = 0.463235 1/s, tau 2.15873 s, 99 % after 9.941 s ("10 s").
        diameter_m = 1e-3
        j_per_k = 8500 * 320 * math.pi / 6 * diameter_m**3
        network = bead(j_per_k, 210 * math.pi * diameter_m**2, start_c=0.0, gas_c=100.0)
        network.advance_to(2.15873)
        assert network.temperature_c("bead") == pytest.approx(63.212, abs=0.001)
        network.advance_to(9.941)
        assert network.temperature_c("bead") == pytest.approx(99.0, abs=0.001)

    def test_bead_of_one_second_is_within_one_kelvin_of_the_gas_when_the_textbook_says(self):
        # Incropera, Fundamentals of Heat and Mass Transfer, example 5.1 (from memory): h 400, c 400, rho 8500, tau 1 s,
        # 25 -> 199 degC in gas of 200 degC after tau ln 175 = 5.165 s ("5.2 s").
        diameter_m = 7.0588e-4
        j_per_k = 8500 * 400 * math.pi / 6 * diameter_m**3
        network = bead(j_per_k, 400 * math.pi * diameter_m**2, start_c=25.0, gas_c=200.0)
        network.advance_to(5.165)
        assert network.temperature_c("bead") == pytest.approx(199.0, abs=0.001)

    @pytest.mark.parametrize(("taus", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
    def test_one_time_constant_after_the_other(self, taus, percent):
        network = bead(1000.0, 10.0, start_c=0.0, gas_c=100.0)
        network.advance_to(taus * 100.0)
        assert network.temperature_c("bead") == pytest.approx(percent, abs=0.001)


class TestClosedForms:
    def test_two_nodes_are_two_exponentials(self):
        # C1 T1' = P - g1 (T1 - T2), C2 T2' = g1 (T1 - T2) - g2 (T2 - T_room): characteristic polynomial by hand.
        c1, c2, g1, g2, heat_w = 190.0, 3000.0, 5.7, 25.0, 260.0
        wiring = Wiring({"block": c1, "sink": c2}, ["room"], {"load": "block"})
        wiring.conduct("paste", "block", "sink", g1)
        wiring.conduct("fins", "sink", "room", g2)
        network = Network(wiring, {"room": ROOM_C}, ROOM_C)
        network.set_heat("load", Heat(heat_w))
        total, product = g1 / c1 + (g1 + g2) / c2, g1 * g2 / (c1 * c2)
        root = math.sqrt(total**2 - 4 * product)
        fast, slow = -(total + root) / 2, -(total - root) / 2
        end_k, slope_k_per_s = heat_w / g2 + heat_w / g1, heat_w / c1
        # T1 - T_room = end + a e^(fast t) + b e^(slow t), 0 at first, rising with P / C1
        a = (slope_k_per_s + end_k * slow) / (fast - slow)
        b = -end_k - a
        for t_s in (0.4, 7.0, 33.3, 900.0):
            network.advance_to(t_s)
            rise_k = end_k + a * math.exp(fast * t_s) + b * math.exp(slow * t_s)
            assert network.temperature_c("block") == pytest.approx(ROOM_C + rise_k, abs=1e-9)

    @pytest.mark.parametrize("cells", [1, 2, 5, 12])
    def test_a_chain_of_cells_delays_as_the_erlang_distribution_of_their_number(self, cells):
        # Step response of n tanks in series: 1 - exp(-t/tau) sum (t/tau)^k / k! = P(n, t/tau), the regularised lower
        # incomplete gamma function (Levenspiel, Chemical Reaction Engineering; from memory).
        names = [f"cell {n}" for n in range(cells)]
        wiring = Wiring(dict.fromkeys(names, 30.0), ["tap"], {})
        wiring.carry("flow", ["tap", *names, "tap"], 12.0)
        network = Network(wiring, {"tap": 50.0}, 20.0)
        for t_s in (0.5, 2.0, 2.5 * cells, 40.0):
            network.advance_to(t_s)
            arrived = gammainc(cells, t_s * 12.0 / 30.0)
            assert network.temperature_c(names[-1]) == pytest.approx(20.0 + 30.0 * arrived, abs=1e-9)

    @pytest.mark.parametrize("w_per_k", [5.0, 20.0, 80.0])
    def test_mean_delay_of_a_tube_is_its_volume_over_the_flow(self, w_per_k):
        # Mean delay = what is still missing, summed: integral of (1 - step response).
        names = [f"cell {n}" for n in range(6)]
        wiring = Wiring(dict.fromkeys(names, 10.0), ["tap"], {})
        wiring.carry("flow", ["tap", *names, "tap"], w_per_k)
        network = Network(wiring, {"tap": 1.0}, 0.0)
        network.advance_to(600.0)
        # what came in less what went out is w_per_k times that
        assert -network.given_off_j("tap") / w_per_k == pytest.approx(60.0 / w_per_k, rel=1e-9)

    def test_growth_is_in_the_heat_and_in_the_end(self):
        # (T - room) g = w + p (T - at)
        wiring = Wiring({"die": 60.0}, ["room"], {"load": "die"})
        wiring.conduct("sink", "die", "room", 5.0)
        network = Network(wiring, {"room": ROOM_C}, ROOM_C)
        network.set_heat("load", Heat(200.0, growth_w_per_k=0.5, at_c=60.0))
        end_c = (200.0 - 0.5 * 60.0 + 5.0 * ROOM_C) / (5.0 - 0.5)
        assert network.heat_w("load") == pytest.approx(200.0 + 0.5 * (ROOM_C - 60.0))
        assert network.steady_c() == {"die": pytest.approx(end_c)}
        network.advance_to(1000.0)
        assert network.temperature_c("die") == pytest.approx(end_c, abs=1e-9)
        assert network.heat_w("load") == pytest.approx(5.0 * (end_c - ROOM_C), abs=1e-9)

    def test_steady_state_is_where_it_ends_and_obeys_the_balances(self):
        network = loop()
        network.set_heat("load", Heat(200.0))
        ends_c = network.steady_c()
        network.advance_to(7200.0)
        assert state(network) == pytest.approx([ends_c[name] for name in NODES], abs=1e-9)
        assert ends_c["air"] - ROOM_C == pytest.approx(200.0 / 20.0)
        assert ends_c["coolant"] - ends_c["cold"] == pytest.approx(200.0 / 60.0)
        assert ends_c["die"] - ends_c["plate"] == pytest.approx(200.0 / 15.0)

    def test_what_if_changes_nothing(self):
        network = loop()
        network.set_heat("load", Heat(200.0))
        as_set = network.steady_c()
        other = network.steady_c({"breeze": 40.0}, {"load": Heat(100.0)})
        assert other["air"] - ROOM_C == pytest.approx(100.0 / 40.0)
        assert network.steady_c() == as_set

    def test_without_a_way_out_there_is_no_end(self):
        network = Network(Wiring({"die": 60.0}, [], {"load": "die"}), {}, ROOM_C)
        with pytest.raises(ValueError, match="no steady state"):
            network.steady_c()


def test_a_transient_agrees_with_an_independent_solver():
    network = loop()
    network.set_heat("load", Heat(260.0, 0.4, 50.0))

    def slope(_t_s, temperatures_c):
        die, plate, coolant, hot, radiator, cold, air = temperatures_c
        return (
            (260.0 + 0.4 * (die - 50.0) - 15.0 * (die - plate)) / 15.0,
            (15.0 * (die - plate) - 60.0 * (plate - coolant)) / 150.0,
            (60.0 * (plate - coolant) + 60.0 * (cold - coolant)) / 40.0,
            60.0 * (coolant - hot) / 60.0,
            (60.0 * (hot - radiator) - 30.0 * (radiator - air)) / 700.0,
            60.0 * (radiator - cold) / 60.0,
            (30.0 * (radiator - air) + 20.0 * (ROOM_C - air)) / 8.0,
        )

    solved = solve_ivp(slope, (0.0, 90.25), [ROOM_C] * 7, method="LSODA", rtol=1e-11, atol=1e-11)
    network.advance_to(90.25)
    assert state(network) == pytest.approx(solved.y[:, -1], abs=1e-7)


class TestTicks:
    @pytest.mark.parametrize("tick_s", [0.05, 0.3, 1.0, 7.0, 60.0])
    def test_the_answer_does_not_depend_on_the_tick(self, tick_s):
        network, whole = loop(), loop()
        refresh, refresh_whole = Settings(network, 1), Settings(whole, 1)
        for tick in range(1, round(420.0 / tick_s) + 1):
            network.advance_to(tick * tick_s, refresh)
            network.temperature_c("die")
        whole.advance_to(420.0, refresh_whole)
        assert state(network) == pytest.approx(state(whole), abs=1e-9)
        assert network.given_off_j("room") == pytest.approx(whole.given_off_j("room"), rel=1e-9)

    @settings(max_examples=25, deadline=None)
    @given(
        seed=st.integers(0, 1000),
        times_s=st.lists(st.floats(0.0, 90.0), max_size=40).map(sorted),
        common_s=st.lists(st.floats(0.0, 90.0), min_size=1, max_size=5).map(sorted),
    )
    def test_random_ticks_agree_at_common_times(self, seed, times_s, common_s):
        network, whole = loop(), loop()
        refresh, refresh_whole = Settings(network, seed), Settings(whole, seed)
        seen = {}
        for t_s in sorted([*times_s, *common_s]):
            network.advance_to(t_s, refresh)
            seen[t_s] = state(network), network.put_in_j("load")
        for t_s in common_s:
            whole.advance_to(t_s, refresh_whole)
            state_c, in_j = seen[t_s]
            assert state_c == pytest.approx(state(whole), abs=1e-9)
            assert in_j == pytest.approx(whole.put_in_j("load"), abs=1e-6)

    def test_what_is_set_within_a_second_holds_from_then_on(self):
        # one exponential up to 0.3 s, another after it; the look at 0.2 s changes nothing
        network = bead(2.0, 1.0, start_c=0.0, gas_c=100.0)
        network.advance_to(0.2)
        network.advance_to(0.3)
        network.set_outside("gas", 0.0)
        network.set_link("film", 4.0)
        network.advance_to(1.7)
        expected_c = 100.0 * -math.expm1(-0.3 / 2.0) * math.exp(-4.0 * 1.4 / 2.0)
        assert network.temperature_c("bead") == pytest.approx(expected_c, abs=1e-12)

    def test_the_hook_is_called_once_for_each_second_that_is_left(self):
        network, called = bead(2.0, 1.0, 0.0, 100.0), []
        for t_s in (0.0, 0.5, 0.9, 1.0, 1.0, 3.25, 4.0):
            network.advance_to(t_s, lambda: called.append(network.t_s))
        assert called == [0.0, 1.0, 2.0, 3.0]

    def test_sums_of_tenths_meet_the_grid(self):
        network, called = bead(2.0, 1.0, 0.0, 100.0), []
        t_s = 0.0
        for _ in range(600):
            t_s += 0.1
            network.advance_to(t_s, lambda: called.append(network.t_s))
        assert t_s != 60.0
        assert network.t_s == 60.0
        assert called == [float(second) for second in range(60)]

    def test_time_does_not_go_back(self):
        network = bead(2.0, 1.0, 0.0, 100.0)
        network.advance_to(1.5)
        with pytest.raises(ValueError, match=r"went back from 1.5 s to 1.25 s"):
            network.advance_to(1.25)

    def test_the_propagator_is_built_only_when_something_really_changed(self, monkeypatch):
        built, flow_w_per_k = [], [60.0]
        monkeypatch.setattr(sim.network, "expm", lambda matrix: built.append(1) or sim.expm.expm(matrix))
        network = loop()

        def same_again():
            network.set_link("loop", flow_w_per_k[0])
            network.set_outside("room", ROOM_C + network.t_s)
            network.set_heat("load", Heat(network.t_s))

        network.advance_to(50.0, same_again)
        assert len(built) == 1
        flow_w_per_k[0] = 61.0
        network.advance_to(100.0, same_again)
        assert len(built) == 2


class TestBooks:
    def test_they_close_over_a_night_of_random_settings(self):
        network = loop(start_c=20.0)
        refresh = Settings(network, 7)
        for minute in range(1, 8 * 60 + 1):
            network.advance_to(60.0 * minute + 0.37, refresh)
            in_j, out_j, stored_j = network.put_in_j("load"), network.given_off_j("room"), network.stored_j()
            assert in_j - out_j == pytest.approx(stored_j, abs=1e-9 * in_j)
        assert in_j > 2e6

    def test_each_outside_has_its_own(self):
        wiring = Wiring({"die": 60.0}, ["room", "side"], {"load": "die"})
        wiring.conduct("sink", "die", "room", 3.0)
        wiring.conduct("loss", "die", "side", 1.0)
        network = Network(wiring, {"room": ROOM_C, "side": ROOM_C}, ROOM_C)
        network.set_heat("load", Heat(100.0))
        network.advance_to(3600.0)
        assert network.put_in_j("load") == pytest.approx(360_000.0)
        assert network.given_off_j("room") == pytest.approx(3 * network.given_off_j("side"))

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 1000))
    def test_no_temperature_falls_below_the_coldest_of_start_and_room(self, seed):
        network = loop(start_c=ROOM_C)
        refresh = Settings(network, seed)
        for t_s in range(1, 200):
            network.advance_to(0.7 * t_s, refresh)
            assert min(state(network)) >= ROOM_C - 1e-9


class TestWhatIsRefused:
    def test_a_stream_that_would_pile_up(self):
        wiring = Wiring({"near": 10.0, "far": 10.0}, ["tap"], {})
        with pytest.raises(ValueError, match="pile up"):
            wiring.carry("flow", ["near", "far", "far", "near", "far"], 1.0)
        with pytest.raises(ValueError, match="end where it began"):
            wiring.carry("flow", ["tap", "near", "far"], 1.0)

    def test_a_link_between_no_nodes_or_with_a_heat_input_or_twice(self):
        wiring = Wiring({"die": 60.0}, ["room", "side"], {"load": "die"})
        with pytest.raises(ValueError, match="couples no node"):
            wiring.conduct("draught", "room", "side", 1.0)
        with pytest.raises(KeyError, match="heat input"):
            wiring.conduct("paste", "die", "load", 1.0)
        wiring.conduct("sink", "die", "room", 1.0)
        with pytest.raises(ValueError, match="already"):
            wiring.conduct("sink", "die", "room", 1.0)

    @pytest.mark.parametrize("w_per_k", [-1.0, math.inf, math.nan])
    def test_a_conductance_that_cannot_be(self, w_per_k):
        network = bead(2.0, 1.0, 0.0, 100.0)
        with pytest.raises(ValueError, match="film must be 0 or more"):
            network.set_link("film", w_per_k)

    def test_a_node_without_heat_capacity(self):
        with pytest.raises(ValueError, match="heat capacity of die"):
            Wiring({"die": 0.0}, [], {})
