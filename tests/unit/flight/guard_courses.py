"""Courses of guarded flights: each function sets a bench up, and says until when it is flown."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pymavlink.dialects.v20 import common as mav

from asflown.scenario.model import GuardLimits as Limits
from tests.unit.flight.guard_bench import ACCEPTED, DENIED, TEMPORARILY_REJECTED, Bench

HIGH, FAR = [0.0, 0.0, -8.2], [30.0, 30.0, -2.0]


def estimator(flags: int) -> Any:
    """ESTIMATOR_STATUS."""
    return mav.MAVLink_estimator_status_message(0, flags, *[0] * 8)


def receiver(fix: int) -> Any:
    """GPS_RAW_INT."""
    return mav.MAVLink_gps_raw_int_message(0, fix, *[0] * 7, 9)


def sticks(forward: int) -> Any:
    """MANUAL_CONTROL."""
    return mav.MAVLink_manual_control_message(1, forward, 0, 500, 0, 0)


def command(number: int, first: float = 0) -> Any:
    """COMMAND_LONG."""
    return mav.MAVLink_command_long_message(1, 1, number, 0, first, 0, 0, 0, 0, 0, 0)


def parameter(name: str, value: float) -> Any:
    """PARAM_VALUE."""
    return mav.MAVLink_param_value_message(name.encode(), value, 9, 1, 0)


Course = Callable[[], tuple[Bench, float]]
COURSES: list[Course] = []


def course(flown: Course) -> Course:
    """Takes it into the list."""
    COURSES.append(flown)
    return flown


@course
def too_high() -> tuple[Bench, float]:
    """Beyond the ceiling: the script is cut off, the vehicle asked home, and the change of mode told as the guard's."""
    bench = Bench(Limits(height_m=8))
    bench.set(1.0, place=HIGH)
    return bench, 4


@course
def refused_in_every_way() -> tuple[Bench, float]:
    """Each way at once after the last was refused; then the graver reaction; at the end slowly, and told once."""
    bench = Bench(Limits(height_m=8))
    bench.answer = lambda command: DENIED
    bench.set(1.0, place=HIGH)
    return bench, 12


@course
def accepted_after_all() -> tuple[Bench, float]:
    """What was refused and then is taken shows, and nothing is asked for any more."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, battery=0.05)
    bench.answer = lambda command: DENIED if bench.now_s() < 4 else ACCEPTED
    return bench, 20


@course
def not_now() -> tuple[Bench, float]:
    """'Temporarily rejected' is no refusal: the same way is asked again."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, battery=0.05)
    bench.answer = lambda command: TEMPORARILY_REJECTED if bench.now_s() < 2.5 else ACCEPTED
    return bench, 6


@course
def silent_script() -> tuple[Bench, float]:
    """It stands for five seconds, and comes home when nobody spoke."""
    bench = Bench(Limits(script_silent_s=4))
    return bench, 12


@course
def script_that_speaks() -> tuple[Bench, float]:
    """Anything that the script says counts."""
    bench = Bench(Limits(script_silent_s=4))
    for at_s in (3.0, 6.5, 10.0):
        bench.script(at_s, mav.MAVLink_ping_message(0, 1, 0, 0))
    return bench, 14


@course
def script_that_ended() -> tuple[Bench, float]:
    """From its end on silence is no surprise."""
    bench = Bench(Limits(script_silent_s=4))
    bench.at(2.0, bench.guard.script_ended)
    bench.script(2.5, mav.MAVLink_ping_message(0, 1, 0, 0))
    return bench, 14


@course
def return_above_the_ceiling() -> tuple[Bench, float]:
    """A return that would climb above the ceiling is none: it stands for two seconds and is set down."""
    bench = Bench(Limits(height_m=8), return_height_m=10.0)
    bench.set(1.0, place=HIGH)
    return bench, 6


@course
def return_raised_in_flight() -> tuple[Bench, float]:
    """The return height follows its parameter as the vehicle tells it."""
    bench = Bench(Limits(height_m=8), return_height_m=4.0, return_height_parameter="RET")
    bench.vehicle(0.5, parameter("RET", 10.0))
    bench.set(1.0, place=HIGH)
    return bench, 2


@course
def does_not_stand() -> tuple[Bench, float]:
    """The mode shows, and the vehicle goes on: ten seconds, and then it is brought home."""
    bench = Bench(Limits(script_silent_s=1))
    bench.velocity = [1.0, 0.0, 0.0]
    return bench, 13


@course
def stands_slowly() -> tuple[Bench, float]:
    """Slower than 0.7 m/s is standing."""
    bench = Bench(Limits(script_silent_s=1))
    bench.velocity = [0.69, 0.0, 0.0]
    return bench, 7


@course
def cannot_come_home_below_the_ceiling() -> tuple[Bench, float]:
    """What does not show is followed by a return, but not where that would break the ceiling."""
    bench = Bench(Limits(height_m=8, speed_m_s=5), return_height_m=10.0)
    bench.answer = lambda command: None
    bench.set(1.0, velocity=[6.0, 0.0, 0.0])
    return bench, 8


@course
def never_answered() -> tuple[Bench, float]:
    """Three times a way, five seconds a reaction, and at the end again and again."""
    bench = Bench(Limits(script_silent_s=1))
    bench.answer = lambda command: None
    return bench, 24


@course
def accepted_in_vain() -> tuple[Bench, float]:
    """Another way 2.5 s after an acceptance without effect."""
    bench = Bench(Limits(script_silent_s=1))
    bench.idle = True
    return bench, 14


@course
def left_again() -> tuple[Bench, float]:
    """A mode that is left again has its time, and is then followed by something graver."""
    bench = Bench(Limits(script_silent_s=1))
    bench.set(3.0, mode="set-points")
    bench.answer = lambda command: ACCEPTED if bench.now_s() < 2 or bench.now_s() > 9 else None
    return bench, 11


@course
def no_progress() -> tuple[Bench, float]:
    """Twenty seconds without half a metre of progress on the way home."""
    bench = Bench(Limits(distance_m=40))
    bench.set(1.0, place=FAR)
    bench.set(10, place=[29.4, 30.0, -2.0])
    return bench, 24


@course
def progress() -> tuple[Bench, float]:
    """Half a metre nearer, or lower, is progress."""
    bench = Bench(Limits(distance_m=40))
    bench.set(1.0, place=FAR)
    bench.set(15, place=[29.2, 30.0, -2.0])
    bench.set(30, place=[29.2, 30.0, -1.4])
    return bench, 49


@course
def lands_without_progress_on_the_ground() -> tuple[Bench, float]:
    """On the ground nothing more is asked for."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, battery=0.05)
    bench.set(2.0, landed=1)
    return bench, 40


@course
def not_heard() -> tuple[Bench, float]:
    """While the vehicle is not heard its failsafe acts; told once, with how long it was."""
    bench = Bench(Limits(distance_m=40))
    bench.set(1.0, place=FAR)
    bench.set(2.0, deaf=True)
    bench.set(9.0, deaf=False)
    return bench, 12


@course
def not_heard_and_watched() -> tuple[Bench, float]:
    """Where the link is watched the vehicle is asked home, should it still hear."""
    bench = Bench(Limits(distance_m=40, link_lost_s=6))
    bench.set(2.0, deaf=True)
    bench.set(9.0, deaf=False)
    return bench, 12


@course
def not_heard_in_the_middle() -> tuple[Bench, float]:
    """What could not be seen has its time anew."""
    bench = Bench(Limits(height_m=8))
    bench.answer = lambda command: None
    bench.set(1.0, place=HIGH)
    bench.set(2.0, deaf=True)
    bench.set(9.0, deaf=False)
    return bench, 15


@course
def not_heard_on_the_ground() -> tuple[Bench, float]:
    """A vehicle whose motors stand still may be silent."""
    bench = Bench()
    bench.armed = False
    bench.set(1.0, deaf=True)
    return bench, 9


@course
def estimator_lost() -> tuple[Bench, float]:
    """Two seconds of the estimator's own word."""
    bench = Bench()
    bench.vehicle(1.0, estimator(0x1F))
    bench.vehicle(2.0, estimator(0x07))
    return bench, 5


@course
def estimator_knows_better() -> tuple[Bench, float]:
    """An estimator that has a position outweighs a receiver without a fix."""
    bench = Bench()
    bench.vehicle(1.0, estimator(0x1F))
    bench.vehicle(1.1, receiver(3))
    bench.vehicle(2.0, receiver(0))
    return bench, 8


@course
def fix_lost() -> tuple[Bench, float]:
    """Without the estimator's word the receiver's counts, once it had a fix."""
    bench = Bench()
    bench.vehicle(1.1, receiver(3))
    bench.vehicle(2.0, receiver(1))
    return bench, 5


@course
def never_a_fix() -> tuple[Bench, float]:
    """Who flies without satellites from the start has not lost them."""
    bench = Bench()
    bench.vehicle(2.0, receiver(1))
    return bench, 8


@course
def longer_patience() -> tuple[Bench, float]:
    """As long as the scenario says."""
    bench = Bench(Limits(position_lost_s=4))
    bench.vehicle(1.0, estimator(0x1F))
    bench.vehicle(2.0, estimator(0x07))
    return bench, 7


@course
def place_not_told_any_more() -> tuple[Bench, float]:
    """Five seconds without a position message of a vehicle that sent some."""
    bench = Bench()
    bench.set(2.0, hidden=True)
    return bench, 9


@course
def place_never_told() -> tuple[Bench, float]:
    """Of a vehicle that never says where it is nobody can ask that, unless a limit needs it."""
    bench = Bench()
    bench.hidden = True
    return bench, 9


@course
def place_never_told_but_a_distance_needs_it() -> tuple[Bench, float]:
    """A limit that cannot be watched is a position lost."""
    bench = Bench(Limits(distance_m=40))
    bench.hidden = True
    return bench, 6


@course
def place_never_told_but_a_height_needs_it() -> tuple[Bench, float]:
    """So with a height."""
    bench = Bench(Limits(height_m=40))
    bench.hidden = True
    return bench, 6


@course
def place_after_a_gap() -> tuple[Bench, float]:
    """The five seconds begin when the vehicle is heard again."""
    bench = Bench(Limits(distance_m=40))
    bench.set(1.0, hidden=True, deaf=True)
    bench.set(7.0, deaf=False)
    return bench, 13


@course
def runaway() -> tuple[Bench, float]:
    """Half a second of speed, not less; then it stands for two seconds, and is set down."""
    bench = Bench(Limits(speed_m_s=5))
    bench.set(1.0, velocity=[4.0, 3.5, 0.0])
    bench.set(1.3, velocity=[0.0, 0.0, 0.0])
    bench.set(2.0, velocity=[4.0, 3.5, 0.0])
    bench.set(3.0, velocity=[0.0, 0.0, 0.0])
    return bench, 6


@course
def fast_enough() -> tuple[Bench, float]:
    """At the limit is not beyond it."""
    bench = Bench(Limits(speed_m_s=5))
    bench.velocity = [3.0, 4.0, 0.0]
    return bench, 4


@course
def battery_low_then_critical() -> tuple[Bench, float]:
    """Home, and when it is critical down: half of the limit when nothing else is said."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, battery=0.19)
    bench.set(3.0, battery=0.09)
    return bench, 5


@course
def battery_critical_first() -> tuple[Bench, float]:
    """The gravest first; a milder cause is noted only."""
    bench = Bench(Limits(battery=0.2, battery_critical=0.05))
    bench.set(1.0, battery=0.04)
    return bench, 3


@course
def battery_unknown() -> tuple[Bench, float]:
    """A vehicle that does not tell its battery has no low one."""
    bench = Bench(Limits(battery=0.2))
    bench.battery = None
    return bench, 3


@course
def lands_already() -> tuple[Bench, float]:
    """What is graver already is left alone; a change that nobody explains is told after 1.5 s."""
    bench = Bench(Limits(height_m=8))
    bench.set(1.0, mode="land")
    bench.set(2.0, place=HIGH)
    return bench, 4


@course
def comes_home_by_itself() -> tuple[Bench, float]:
    """A failsafe of the vehicle's own is told, and left to it."""
    bench = Bench(Limits(height_m=8))
    bench.set(1.0, mode="safe-recovery", state=5)
    bench.set(2.0, place=HIGH)
    return bench, 4


@course
def emergency() -> tuple[Bench, float]:
    """A vehicle in an emergency brings itself home."""
    bench = Bench(Limits(height_m=8))
    bench.set(1.0, state=6)
    bench.set(2.0, place=HIGH)
    return bench, 4


@course
def emergency_is_not_a_landing() -> tuple[Bench, float]:
    """And is told to land when that is needed, unless it does."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, state=6)
    bench.set(2.0, battery=0.01)
    return bench, 3


@course
def emergency_landing() -> tuple[Bench, float]:
    """What it does as an emergency is as grave as what the guard would ask for."""
    bench = Bench(Limits(battery=0.2))
    bench.set(1.0, state=6, mode="land")
    bench.set(2.0, battery=0.01)
    return bench, 4


@course
def holds_by_itself() -> tuple[Bench, float]:
    """Holding keeps nobody from asking for more, or for the same."""
    bench = Bench(Limits(script_silent_s=4))
    bench.set(1.0, mode="position-hold")
    return bench, 6


@course
def pilot_takes_over() -> tuple[Bench, float]:
    """Sticks out of their middle: cut off, silent, and nothing asked for whatever happens then."""
    bench = Bench(Limits(height_m=8, script_silent_s=2))
    bench.answer = lambda command: None
    for n in range(3):
        bench.station(3.0 + n / 10, sticks(400))
    bench.set(4.0, place=HIGH)
    bench.set(5.0, mode="position-hold")
    return bench, 9


@course
def station_takes_over() -> tuple[Bench, float]:
    """A station that asks for a mode is the pilot."""
    bench = Bench(Limits(height_m=8))
    bench.station(2.0, command(262, 7))
    bench.set(2.3, mode="land")
    bench.set(3.0, place=HIGH)
    return bench, 5


@course
def nobody_flies_it() -> tuple[Bench, float]:
    """Disarmed in the air of its own accord: nothing is asked for."""
    bench = Bench(Limits(height_m=8))
    bench.set(1.0, place=HIGH, armed=False)
    return bench, 3


@course
def lands_after_all() -> tuple[Bench, float]:
    """Once its motors stand still the guard is silent."""
    bench = Bench(Limits(battery=0.2))
    bench.answer = lambda command: None
    bench.set(1.0, battery=0.01)
    bench.set(2.6, armed=False)
    return bench, 9


@course
def script_left_it() -> tuple[Bench, float]:
    """The harness's own reason, in its own name."""
    bench = Bench()
    bench.at(2.0, lambda: bench.guard.script_left("the script ended"))
    bench.at(2.5, lambda: bench.guard.script_left("again"))
    return bench, 4


@course
def script_left_it_to_a_pilot() -> tuple[Bench, float]:
    """Whoever has the sticks lands when it suits."""
    bench = Bench()
    bench.station(1.0, command(262, 7))
    bench.at(2.0, lambda: bench.guard.script_left("the script ended"))
    return bench, 4


@course
def harness_gone() -> tuple[Bench, float]:
    """Home, and down after the keeper's time."""
    bench = Bench(Limits(height_m=8))
    bench.at(2.0, lambda: bench.guard.bring_down("asflown is gone", 3_000_000))
    return bench, 7


@course
def harness_gone_to_the_end() -> tuple[Bench, float]:
    """Home, without a time: to the end."""
    bench = Bench()
    bench.at(2.0, lambda: bench.guard.bring_down("asflown is gone"))
    return bench, 7


@course
def harness_gone_below_a_ceiling() -> tuple[Bench, float]:
    """Where a return breaks the ceiling: stop, and down."""
    bench = Bench(Limits(height_m=8), return_height_m=9.0)
    bench.at(2.0, lambda: bench.guard.bring_down("asflown is gone", 3_000_000))
    return bench, 6


@course
def bench_that_may_not_arm() -> tuple[Bench, float]:
    """Arming is withheld and told once; what does not turn motors passes."""
    bench = Bench(may_arm=False)
    bench.armed = False
    bench.script(1.0, command(512))
    bench.script(2.0, command(400, 1))
    bench.script(3.0, command(400, 1))
    return bench, 4


@course
def mode_of_the_script() -> tuple[Bench, float]:
    """What the script asked for is the script's."""
    bench = Bench()
    bench.script(1.0, command(262, 7))
    bench.set(1.2, mode="land")
    return bench, 2


@course
def modes_not_known() -> tuple[Bench, float]:
    """Where a mode has no name, the accepted command stands for it."""
    bench = Bench(Limits(script_silent_s=1), modes={})
    return bench, 8


@course
def speed_not_known() -> tuple[Bench, float]:
    """A vehicle that does not tell its speed stands when its mode says so."""
    bench = Bench(Limits(script_silent_s=1))
    bench.hidden = True
    return bench, 8


@course
def refused_with_more_to_come() -> tuple[Bench, float]:
    """What its plan has next follows a refusal, and not something milder."""
    bench = Bench(Limits(speed_m_s=5))
    bench.answer = lambda command: DENIED
    bench.set(1.0, velocity=[6.0, 0.0, 0.0])
    return bench, 4


@course
def comes_home_in_vain_below_a_ceiling() -> tuple[Bench, float]:
    """A return that fails is followed by a landing."""
    bench = Bench(Limits(distance_m=40, height_m=50), return_height_m=4.0)
    bench.answer = lambda command: None
    bench.set(1.0, place=FAR)
    return bench, 7


@course
def script_silent_after_a_word() -> tuple[Bench, float]:
    """A script that spoke after its start and then not is silent from its last word on."""
    bench = Bench(Limits(script_silent_s=4))
    bench.script(3.0, mav.MAVLink_ping_message(0, 1, 0, 0))
    return bench, 8


@course
def not_heard_for_exactly_five_seconds() -> tuple[Bench, float]:
    """Five seconds of silence are none yet; told with how long it was between two heartbeats."""
    bench = Bench()
    bench.set(1.98, deaf=True)
    for at_s in (2.0, 9.75):
        bench.vehicle(at_s, mav.MAVLink_heartbeat_message(2, 12, 129, 41, 4, 3))
        bench.vehicle(at_s, mav.MAVLink_local_position_ned_message(0, *[0.0] * 6))
    return bench, 12


@course
def script_that_arms() -> tuple[Bench, float]:
    """Where nothing forbids it a script arms, and nobody says a word."""
    bench = Bench()
    bench.script(1.0, command(400, 1))
    return bench, 2
