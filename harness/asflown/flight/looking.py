"""One preflight by itself: opens the vehicle's link, looks at everything, and lets go again."""

from __future__ import annotations

from asflown.clock.paced import PacedClock
from asflown.errors import VehicleProblem
from asflown.flight.preflight import Item, Looking, LossWatch, Preflight
from asflown.link.budget import budget_for
from asflown.link.endpoint import make_endpoint
from asflown.link.hub import Hub
from asflown.link.knock import Knock
from asflown.link.profile import load_profile
from asflown.link.taps import NoRecorder
from asflown.scenario.model import Scenario, VehicleFile
from asflown.url import parse
from asflown.vehicle.baud import with_baud
from asflown.vehicle.conversation import Conversation


def look_at(file: VehicleFile, scenario: Scenario, rehearsal: Item) -> Preflight:
    """The preflight of the vehicle at the end of `file`'s link; `rehearsal` is what the simulation said before.

    Raises LinkProblem when the link cannot be opened, VehicleProblem for a kind that has none, KeyboardInterrupt and
    SystemExit as a clock does.
    """
    check_is_real(file)
    clock = PacedClock()
    return clock.run(_look(clock, file, scenario, rehearsal))


def check_is_real(file: VehicleFile) -> None:
    """Raises VehicleProblem for a vehicle of a kind that has no link of its own."""
    if file.link is None:
        raise VehicleProblem(
            f"vehicle {file.name} is of kind {file.kind}, which needs no preflight", "Fly it: asflown fly"
        )


async def _look(clock: PacedClock, file: VehicleFile, scenario: Scenario, rehearsal: Item) -> Preflight:
    url = with_baud(parse(file.link or ""))
    radio = load_profile(file.radio).up_lane if file.radio else None
    endpoint = make_endpoint(url, clock, name="vehicle")
    hub = Hub(clock, NoRecorder(), endpoint, None, budget=budget_for(url, radio, clock))
    conversation = Conversation(
        clock, lambda frame: hub.inject(frame, "harness"), file.system, file.component
    )
    losses = LossWatch()
    hub.on_vehicle_frame += [conversation.frame, losses.frame]
    hub.start()
    try:
        Knock(clock, hub).start()
        return await Looking(clock, conversation, losses, file, scenario).all(rehearsal)
    finally:
        hub.close()
