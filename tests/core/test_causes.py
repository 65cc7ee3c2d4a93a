"""Flags by cause: truthful, apart from each other, and steady."""

from copy import deepcopy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.course.remembered import Kept
from bridge.core.failsafe.machine import State
from bridge.core.limits.compose import Limits
from bridge.core.pack.merge import merge
from bridge.core.pack.state import Reading
from bridge.core.plan.plan import Inverter, PackFacts
from bridge.core.plan.reasons import Contribution, Limit, Reason
from bridge.core.told.causes import Causes
from bridge.core.wire.grid import Grid
from bridge.core.wire.outgoing import FlagItem, Item, QuantityItem, Transmission
from bridge.quantities import CAUSES, Rounding
from tests.core.limits.test_deep import SIDE
from tests.core.plans import BUS, FLAGS, SECOND, TICK, Builder, pack_limits, transmissions
from tests.core.rig import Rig, Speaker

GOOD = Reading(52.8, 20.0, 50.0, 3.3, 3.31, [3.3] * 16, 20.0, 22.0, 1.0, 1.0, None, None, 0.0, None)
BLIND = Reading(*[None] * 14)
QUIET = dict.fromkeys(CAUSES, 0.0)


def telling(*names: str) -> tuple[Transmission, ...]:
    """What is sent usually, and these flags."""
    items: tuple[Item, ...] = tuple(
        FlagItem(field.name, name, 1, 0, 0) for field, name in zip(FLAGS.fields, names, strict=False)
    )
    return (*transmissions(), Transmission("causes", BUS, FLAGS, SECOND, 0, (items,)))


def limit(value: float) -> Limit:
    """A limit of this value."""
    return Limit(value, Contribution(Reason.CONFIGURED, value, ""), ())


class Watch:
    """The flags of a pack, and what they are made of."""

    def __init__(self, banks: int = 1, *, heartbeat: bool = True, sent: tuple[str, ...] = CAUSES[:1]) -> None:
        self.plan = Builder(banks=banks, heartbeat=heartbeat, transmissions=telling(*sent)).plan()
        self.causes = Causes(self.plan, 0)
        self.t_us = 0
        self.state = State.FOLLOWING
        self.readings = [GOOD] * banks
        self.active = [True] * banks
        self.tripped: set[str] = set()
        self.charge_a, self.draw_a = 100.0 * banks, 120.0 * banks
        self.gone: set[str] = set()
        self.lost: list[str] = []
        self.unheard: list[Inverter] = []

    def go(self, seconds: float = 1.0, bank: int = 0, **changes: Any) -> dict[str, float | None]:
        """The flags so much later, with something in one bank's reading changed."""
        self.readings[bank] = self.readings[bank]._replace(**changes)
        self.t_us += round(seconds * SECOND)
        told = limit(56.0), limit(self.charge_a), limit(self.draw_a), limit(46.4)
        return dict(
            self.causes.flags(
                self.t_us,
                self.state,
                self.readings,
                self.active,
                told,
                merge(self.plan.banks, self.readings, self.active),
                Limits(self.plan, Kept(tripped=frozenset(self.tripped))),
                self.gone,
                self.lost,
                self.unheard,
            )
        )

    def settled(self) -> bool:
        """Whether nothing is about to change by itself."""
        return self.causes.settled

    def last(self, seconds: int, **changes: Any) -> dict[str, float | None]:
        """The flags after so many seconds of it, each looked at."""
        for _ in range(seconds - 1):
            self.go(**changes)
        return self.go(**changes)


def only(*names: str) -> dict[str, float | None]:
    """All flags, of which these are up."""
    return {**QUIET, **dict.fromkeys(names, 1.0)}


def test_a_pack_that_is_well_has_no_flag_up() -> None:
    """Each is known, and there is one of each name."""
    assert Watch().last(20) == QUIET
    assert Watch(2).last(20) == QUIET


def test_nothing_is_worked_out_where_no_flag_is_sent() -> None:
    """Nor is anything waited for."""
    watch = Watch(sent=())
    assert watch.go(current_a=500.0) == {}
    assert watch.settled()
    number = QuantityItem("state", CAUSES[3], Grid(FLAGS.field("state"), rounding=Rounding.NEAREST))
    watch.plan = Builder(transmissions=(Transmission("n", BUS, FLAGS, 1, 0, ((number,),)),)).plan()
    watch.causes = Causes(watch.plan, 0)
    assert watch.go()[CAUSES[0]] == 0.0


LEVELS = [
    ("cell_over_voltage", "high_v", 3.5375, 3.50, 3.31, "bank1 charge cell"),
    ("cell_under_voltage", "low_v", 2.80, 2.90, 3.3, "bank1 discharge cell"),
    ("charge_over_temperature", "hottest_c", 41.0, 39.0, 22.0, "bank1 charge hot"),
    ("charge_under_temperature", "coldest_c", 4.0, 6.0, 20.0, "bank1 charge cold"),
    ("discharge_over_temperature", "hottest_c", 56.0, 54.0, 22.0, "bank1 discharge hot"),
    ("discharge_under_temperature", "coldest_c", -16.0, -14.0, 20.0, "bank1 discharge cold"),
]


@pytest.mark.parametrize(("cause", "what", "near", "away", "usual", "cut_off"), LEVELS)
def test_a_level_warns_when_near_and_alarms_when_its_cut_off_trips(
    cause: str, what: str, near: float, away: float, usual: float, cut_off: str
) -> None:
    """Two thresholds of its own for the warning; the alarm is the cut-off itself, and warns as well."""
    watch, step = Watch(), 1e-6 if near > away else -1e-6
    names = f"{cause}_alarm", f"{cause}_warning"

    def pair(**changes: Any) -> list[float | None]:
        flags = watch.go(**changes)
        return [flags[name] for name in names]

    assert pair(**{what: near - step}) == [0.0, 0.0]
    assert pair(**{what: near}) == [0.0, 1.0]
    assert pair(**{what: away + step}) == [0.0, 1.0]
    assert pair(**{what: away}) == [0.0, 0.0]
    watch.tripped = {cut_off}
    assert pair(**{what: usual}) == [1.0, 1.0]
    assert pair(**{what: None}) == [1.0, 1.0]
    watch.tripped = {cut_off.replace("bank1", "bank2")}
    assert pair() == [None, None]
    assert pair(**{what: usual}) == [0.0, 0.0]
    watch.tripped = {cut_off}
    flags = watch.go()
    assert {name: flags[name] for name in CAUSES} == only(*names)


def test_a_lost_cell_is_an_alarm_of_too_low_a_voltage() -> None:
    """It is long below the end of discharging."""
    watch = Watch()
    watch.tripped = {"bank1 charge lost"}
    watch.plan = Builder(charge=SIDE).plan()
    assert watch.go() == only("cell_under_voltage_alarm", "cell_under_voltage_warning")


def test_cut_offs_within_the_usual_span_warn_where_they_trip() -> None:
    """A profile may have them there; the two thresholds must not stand the wrong way round."""
    limits = pack_limits()._replace(cell_target_v=3.58, cell_floor_v=2.65)
    plan = Builder(limits=limits, transmissions=telling(CAUSES[0])).plan()
    watch = Watch()
    watch.plan, watch.causes = plan, Causes(plan, 0)
    assert watch.go(high_v=3.574, low_v=2.701)["cell_over_voltage_warning"] == 0.0
    flags = watch.go(high_v=3.575, low_v=2.70)
    assert (flags["cell_over_voltage_warning"], flags["cell_under_voltage_warning"]) == (1.0, 1.0)
    flags = watch.go(high_v=3.46, low_v=2.99)
    assert (flags["cell_over_voltage_warning"], flags["cell_under_voltage_warning"]) == (1.0, 1.0)
    flags = watch.go(high_v=3.45, low_v=3.0)
    assert (flags["cell_over_voltage_warning"], flags["cell_under_voltage_warning"]) == (0.0, 0.0)


def test_cut_offs_at_the_usual_ends_are_their_own_warnings() -> None:
    """Half way between two that are one, there is no way back."""
    limits = pack_limits()._replace(cell_target_v=3.575, cell_floor_v=2.70)
    watch = Watch()
    watch.causes = Causes(Builder(limits=limits, transmissions=telling(CAUSES[0])).plan(), 0)
    assert not any(watch.go(high_v=3.57, low_v=2.71).values())


def test_one_bank_is_enough_and_none_is_said_only_if_all_are_known() -> None:
    """Banks that do not count say nothing."""
    watch = Watch(2)
    assert watch.go(bank=1, high_v=3.56)["cell_over_voltage_warning"] == 1.0
    watch.readings[0] = BLIND
    assert watch.go()["cell_over_voltage_warning"] == 1.0
    assert watch.go(bank=1, high_v=3.3)["cell_over_voltage_warning"] is None
    watch.active[0] = False
    assert watch.go()["cell_over_voltage_warning"] == 0.0
    watch.active[1] = False
    assert watch.go()["cell_over_voltage_warning"] is None


def test_cells_that_differ_for_a_while_are_apart_until_they_are_together_for_a_while() -> None:
    """Not for a moment, as at the end of a charge; and not by what is left of the readings."""
    name = "cell_imbalance_warning"
    watch = Watch()
    watch.go()
    assert watch.last(30, low_v=3.09, high_v=3.3)[name] == 0.0
    assert not watch.settled()
    assert watch.go()[name] == 1.0
    watch.last(15)
    assert watch.settled()
    assert watch.last(40, low_v=3.139)[name] == 1.0
    assert watch.last(30, low_v=3.141)[name] == 1.0
    assert watch.last(5, low_v=3.09)[name] == 1.0
    assert watch.last(30, low_v=3.141)[name] == 1.0
    assert watch.go()[name] == 0.0
    assert watch.go(low_v=None)[name] is None
    assert watch.settled()
    assert watch.go(low_v=3.09)[name] == 0.0
    assert watch.last(20, low_v=3.09, high_v=None)[name] is None
    assert watch.last(30, high_v=3.3)[name] == 0.0
    assert watch.go()[name] == 1.0


@pytest.mark.parametrize(("way", "sign", "most_a"), [("charge", 1.0, 100.0), ("discharge", -1.0, 120.0)])
def test_a_current_beyond_what_was_told_warns_once_it_lasts(way: str, sign: float, most_a: float) -> None:
    """Not while the inverter still has time to obey, not within the sensor's error, not for a moment."""
    name = f"{way}_over_current_warning"
    allowed_a = 0.02 * most_a + 1.0
    watch = Watch()

    def tell(amps: float) -> None:
        watch.charge_a, watch.draw_a = (amps, 120.0) if way == "charge" else (100.0, amps)

    assert watch.last(20, current_a=sign * 90.0) == QUIET
    assert watch.settled()
    tell(30.0)
    watch.go()
    assert not watch.settled()
    assert watch.last(13)[name] == 0.0
    assert watch.go()[name] == 1.0
    assert watch.go() == only(name)
    assert watch.last(3, current_a=sign * (30.0 + allowed_a))[name] == 1.0
    assert watch.go()[name] == 0.0
    assert watch.last(10, current_a=sign * (30.1 + allowed_a))[name] == 1.0
    tell(60.0)
    assert watch.last(3)[name] == 1.0
    assert watch.go()[name] == 0.0
    assert watch.go(current_a=None)[name] is None
    assert watch.last(2, current_a=-sign * 119.0)[name] == 0.0
    watch.last(20, current_a=0.0)
    assert watch.settled()


def test_the_greatest_limit_of_late_is_what_a_current_is_held_against() -> None:
    """Whatever was told in between; a rise counts at once."""
    watch, name = Watch(), "charge_over_current_warning"
    watch.last(20, current_a=5.0)
    for told_a in (50.0, 20.0, 40.0, 10.0, 30.0):
        watch.charge_a = told_a
        watch.last(2)
    # 50 was told until 8 s ago, 40 until 4 s ago.
    assert watch.last(2, current_a=45.0)[name] == 0.0
    assert watch.last(4)[name] == 0.0
    assert watch.go()[name] == 1.0
    assert watch.last(8, current_a=33.0)[name] == 0.0


def test_a_limit_that_was_higher_again_in_between_counts() -> None:
    """The greatest of what was in force within the time, not the oldest."""
    watch, name = Watch(), "charge_over_current_warning"
    watch.last(20, current_a=5.0)
    for told_a, seconds in ((50.0, 2), (20.0, 6), (40.0, 1)):
        watch.charge_a = told_a
        watch.last(seconds)
    for _ in range(30):
        assert watch.go(current_a=39.0)[name] == 0.0


def test_the_slowest_charger_has_its_time() -> None:
    """Of several banks' the longest."""
    watch, name = Watch(2), "charge_over_current_warning"
    slow = watch.plan.banks[0].charge._replace(facts=PackFacts(lag_s=10.0))
    banks = watch.plan.banks[0]._replace(charge=slow), watch.plan.banks[1]
    watch.causes = Causes(watch.plan._replace(banks=banks), 0)
    watch.last(40)
    watch.charge_a = 10.0
    assert watch.last(35)[name] == 0.0
    assert watch.go()[name] == 1.0


def test_what_was_told_before_the_start_is_not_known() -> None:
    """An inverter may still go by it for a while."""
    watch, name = Watch(), "charge_over_current_warning"
    watch.charge_a = 0.0
    assert watch.last(13, current_a=80.0)[name] == 0.0
    assert watch.go()[name] == 1.0


@pytest.mark.parametrize("way", ["charge", "discharge"])
def test_a_current_beyond_the_configured_alarms_for_the_pack_and_for_each_bank(way: str) -> None:
    """Whatever was told."""
    sign, most_a = (1.0, 100.0) if way == "charge" else (-1.0, 120.0)
    names = f"{way}_over_current_alarm", f"{way}_over_current_warning"
    watch = Watch(2)
    watch.readings[1] = GOOD._replace(current_a=0.0)
    watch.last(20, current_a=sign * (1.02 * most_a + 1.0))
    assert watch.last(3) == QUIET
    assert watch.last(3, current_a=sign * (1.02 * most_a + 1.1)) == QUIET
    assert watch.go() == only(*names)
    assert watch.last(3, current_a=sign * most_a) == only(*names)
    assert watch.go() == QUIET
    assert watch.go(current_a=None)[names[0]] is None
    assert watch.last(5, bank=1, current_a=sign * 2.0 * most_a)[names[0]] == 1.0
    limits = pack_limits(banks=2)._replace(charge_a=110.0, discharge_a=130.0)
    plan = Builder(banks=2, limits=limits, transmissions=telling(CAUSES[0])).plan()
    watch = Watch(2)
    watch.plan, watch.causes = plan, Causes(plan, 0)
    watch.readings[1] = GOOD._replace(current_a=sign * 13.0)
    assert watch.last(5, current_a=sign * most_a)[names[0]] == 0.0
    assert watch.last(5, bank=1, current_a=sign * 0.5 * most_a)[names[0]] == 1.0


@pytest.mark.parametrize(
    ("state", "lost", "gone", "names"),
    [
        (State.STARTING, [], set(), ()),
        (State.HOLDING, [], set(), ("data_lost_warning",)),
        (State.SAFE, [], set(), ("data_lost_alarm", "data_lost_warning")),
        (State.SILENT, [], set(), ("data_lost_alarm", "data_lost_warning")),
        (State.FOLLOWING, ["balancing of bank1"], set(), ("data_lost_warning",)),
        (State.FOLLOWING, ["bank bank2"], {"bank2"}, ("bank_lost_warning",)),
        (State.FOLLOWING, ["bank bank2", "x"], {"bank2"}, ("bank_lost_warning", "data_lost_warning")),
    ],
)
def test_lost_data_and_lost_banks(
    state: State, lost: list[str], gone: set[str], names: tuple[str, ...]
) -> None:
    """Data that is lost is an alarm, data that is late or only bounded a limit a warning."""
    watch = Watch()
    watch.state, watch.lost, watch.gone = state, lost, gone
    assert watch.go() == only(*names)


def test_an_inverter_that_is_not_heard() -> None:
    """Known only where one is listened for."""
    watch = Watch()
    watch.unheard = [Inverter("loft", 10 * SECOND, 0, zero_when_silent=True)]
    assert watch.go() == only("inverter_silent_warning")
    assert Watch(heartbeat=False).go()["inverter_silent_warning"] is None


MOMENTS = st.tuples(
    st.floats(0.05, 20.0),
    st.none() | st.floats(-300, 300),
    st.none() | st.floats(2.0, 4.0),
    st.sampled_from((0.0, 100.0)),
)


@pytest.mark.slow
@given(st.lists(MOMENTS, max_size=30))
def test_no_flag_flickers_and_what_has_settled_stays(
    script: list[tuple[float, float | None, float | None, float]],
) -> None:
    """What must last changes no faster than that; the same inputs, once settled, give the same."""
    watch, changed = Watch(), dict[str, tuple[int, float]]()
    for seconds, amps, high_v, told_a in script:
        watch.charge_a = told_a
        flags = watch.go(seconds, current_a=amps, high_v=high_v)
        if watch.settled():
            kept, t_us = deepcopy(watch.causes), watch.t_us
            assert watch.go(100.0) == flags
            watch.causes, watch.t_us = kept, t_us
        for name in ("cell_imbalance_warning", "charge_over_current_alarm", "discharge_over_current_alarm"):
            now, (since_us, before) = flags[name], changed.get(name, (0, 0.0))
            if now is None:
                changed.pop(name, None)
            elif now != before:
                assert name not in changed or watch.t_us - since_us >= 3 * SECOND
                changed[name] = watch.t_us, now


# ── in the engine ───────────────────────────────────────────────────────────────────────────────────────


def test_the_engine_sends_them_and_does_not_settle_before_they_do() -> None:
    """Readings that never change: a flag that must last comes up all the same, by the tick."""
    plan = Builder(cells=4, transmissions=telling("cell_imbalance_warning", "data_lost_alarm")).plan()
    rig = Rig(plan, Speaker([3.1, 3.3, 3.3, 3.31]))
    up_us = None
    while rig.t_us < rig.engine.start_us + 60 * SECOND and up_us is None:
        rig.run(TICK / SECOND)
        up_us = rig.t_us if rig.engine.decision.values["cell_imbalance_warning"] else None
    assert up_us is not None
    assert 29 * SECOND < up_us - rig.engine.start_us < 35 * SECOND
    assert rig.engine.decision.values["data_lost_alarm"] == 0.0
    assert rig.engine.decision.values["inverter_silent_warning"] is None


def test_an_engine_without_them_says_nothing_of_them() -> None:
    """They are absent, not 0."""
    rig = Rig(Builder(cells=4).plan())
    rig.run(3.0)
    assert not rig.engine.decision.values.keys() & set(CAUSES)
