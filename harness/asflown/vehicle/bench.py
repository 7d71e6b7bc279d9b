"""A flight controller on a bench, propellers off: simulated physics, or none; and when it may arm.

No script arms it before the controller says that its sensors and motors are simulated
(HEARTBEAT, MAV_MODE_FLAG_HIL_ENABLED), or the user's interlock command says that nothing can turn.
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

from asflown.errors import FlightError, VehicleProblem
from asflown.record import truth
from asflown.record.manifest import VehicleRecord
from asflown.scenario.model import Scenario, VehicleFile
from asflown.sim.faults import FAULTS
from asflown.url import Url
from asflown.vehicle.airframe import Airframe
from asflown.vehicle.bench_physics import BenchPhysics, PhysicsOrder
from asflown.vehicle.conversation import Conversation

INTERLOCK_S = 20.0
"""Wall time that an interlock command may take."""
PROPELLERS_OFF = "take the propellers off first, whatever else is set"


def possible_faults(file: VehicleFile) -> set[str]:
    """What a scenario may inject: with simulated physics all that is broken there."""
    return set(FAULTS) - {"feed-loss"} if file.physics == "simulated" else set()


class Bench(Airframe):
    """What the conductor knows of a bench rig."""

    def __init__(
        self,
        file: VehicleFile,
        url: Url,
        conversation: Conversation,
        trouble: Callable[[], FlightError | None],
        is_simulated: Callable[[], bool],
    ) -> None:
        """`is_simulated` tells whether the controller says now that its sensors are simulated."""
        super().__init__(file, url, conversation, trouble)
        self._is_simulated = is_simulated
        self._physics: BenchPhysics | None = None
        self._interlocked = False
        self.may_arm = False
        """Whether somebody says that nothing can turn."""

    def begin_physics(self, scenario: Scenario, seed: int, folder: Path, epoch_us: int) -> None:
        """Starts physics and sensors, if this rig has simulated ones. Raises LinkProblem."""
        file = self._file
        if file.physics != "simulated":
            return
        if file.physics_link is None or file.simulates is None:
            raise VehicleProblem(
                f"bench {file.name} lacks {'physics_link' if file.physics_link is None else 'simulates'}",
                "Name the USB link of its sensors, and the airframe whose physics it gets, in its file",
            )
        order = PhysicsOrder(
            link=file.physics_link,
            airframe=file.simulates,
            start=scenario.start,
            conditions=scenario.conditions,
            seed=seed,
            truth=folder / truth.FILE_NAME,
            epoch_us=epoch_us,
        )
        self._physics = BenchPhysics(order)

    def allow_arming(self) -> None:
        """Looks whether the rig may arm; asked right before the script runs.

        Raises VehicleProblem when not; but a rig without physics may do without arming, if it has no interlock.
        """
        simulated, file = self._is_simulated(), self._file
        if not simulated and file.physics == "none" and file.interlock is None:
            self._facts["arming_allowed_by"] = "nobody"
            return
        if not simulated:
            self._ask_interlock()
        self._facts["arming_allowed_by"] = "interlock" if self._interlocked else "simulated sensors"
        self.may_arm = True

    def check(self) -> bool:
        """Whether it can still be flown. Raises what is wrong."""
        super().check()
        if self._physics is not None and not self._physics.lives:
            raise VehicleProblem("the simulated physics have ended", "See what they wrote on standard error")
        if self.may_arm and not self._interlocked and not self._is_simulated():
            raise VehicleProblem(
                f"{self._file.name} does not say any more that its sensors and motors are simulated",
                f"Disconnect the battery and look at the rig: its motors may be real now; {PROPELLERS_OFF}",
            )
        return True

    def record(self) -> VehicleRecord:
        """What the manifest says of it; once the physics have ended, how regular they were."""
        self._facts["physics"] = self._file.physics
        if self._physics is not None and self._physics.report:
            self._facts["physics_beats"] = {
                key: value for key, value in self._physics.report.items() if key != "is"
            }
        return super().record()

    def stop(self) -> None:
        """Ends the physics, when the keeper has closed."""
        if self._physics is not None:
            self._physics.stop()

    def _ask_interlock(self) -> None:
        command, name = self._file.interlock, self._file.name
        if command is None:
            raise VehicleProblem(
                f"{name} does not say that its sensors and motors are simulated (HEARTBEAT, flag HIL_ENABLED)",
                f"Switch it to hardware in the loop, or name an `interlock` command in its file; {PROPELLERS_OFF}",
            )
        code, said = _run(command)
        if code != 0:
            raise VehicleProblem(
                f"the interlock of {name} does not confirm that nothing can turn ({said})",
                "Look at the rig; nothing was armed",
            )
        self._interlocked = True


def _run(command: tuple[str, ...]) -> tuple[int, str]:
    """Exit code of an interlock command, and how it ended in words."""
    try:
        done: subprocess.CompletedProcess[Any] = subprocess.run(
            command, stdin=subprocess.DEVNULL, capture_output=True, timeout=INTERLOCK_S, check=False
        )
    except subprocess.TimeoutExpired:
        return -1, f"{command[0]} did not end within {INTERLOCK_S:g} s"
    except OSError as error:
        return -1, f"{command[0]} cannot be started: {error.strerror}"
    return done.returncode, f"{command[0]} ended with {done.returncode}"
