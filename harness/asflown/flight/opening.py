"""The manifest as it stands before take-off: what will be flown, with what, under which conditions and seed."""

from __future__ import annotations

from asflown.clock.virtual import VIRTUAL_EPOCH_US
from asflown.flight import provenance
from asflown.flight.plan import ClockChoice, FlightPlan
from asflown.record.manifest import ClockRecord, Manifest, ScriptRecord, VehicleRecord


def manifest(plan: FlightPlan, flight_id: str, asked: ClockChoice, started_utc: str) -> Manifest:
    """The opening manifest; its outcome is `interrupted` until somebody knows better."""
    loaded, scenario, vehicle = plan.loaded, plan.loaded.scenario, plan.vehicle
    return Manifest(
        flight_id=flight_id,
        scenario=scenario.name,
        scenario_file=str(loaded.file),
        scenario_sha256=provenance.sha256_of_file(loaded.file),
        script_sha256=provenance.sha256_of_folder(loaded.folder),
        expectations_sha256=provenance.sha256_of_model(scenario.expect),
        guard_sha256=provenance.sha256_of_model(scenario.guard),
        git=provenance.git_state(loaded.folder),
        vehicle=VehicleRecord(name=vehicle.name, kind=vehicle.kind, release=vehicle.release),
        vehicle_asked=plan.vehicle_asked,
        conditions=scenario.conditions.model_dump(),
        start=scenario.start.model_dump(),
        seed=plan.seed,
        clock=ClockRecord(asked=asked, kind="paced", deterministic=False, epoch_us=VIRTUAL_EPOCH_US),
        script=ScriptRecord(command=list(scenario.script.run), expected_exit_code=scenario.script.exit_code),
        versions=provenance.versions(),
        started_utc=started_utc,
    )
