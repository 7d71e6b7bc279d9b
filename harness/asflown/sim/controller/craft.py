"""What the flight controller knows of its craft: read from the airframe's XML when it is built, never written twice."""

from __future__ import annotations

from dataclasses import dataclass

from asflown.sim.plant import Plant


@dataclass(frozen=True, slots=True)
class Craft:
    """Mass, inertia and rotors as the controller's designer measured them; SI."""

    mass_kg: float
    inertia_x_kg_m2: float
    inertia_y_kg_m2: float
    inertia_z_kg_m2: float
    arm_x_m: float
    arm_y_m: float
    yaw_arm_m: float
    """Reaction torque of a rotor for each newton of its thrust."""
    full_thrust_n: float
    """Of one rotor at full command, full-speed voltage and standard sea-level density."""
    full_speed_voltage_v: float


def craft_of(plant: Plant) -> Craft:
    """The craft that the plant simulates."""
    ixx, iyy, izz = plant.inertia_kg_m2()
    thrust_n_s2 = plant.read("rotor/thrust-n-s2")
    return Craft(
        mass_kg=plant.mass_kg(),
        inertia_x_kg_m2=ixx,
        inertia_y_kg_m2=iyy,
        inertia_z_kg_m2=izz,
        arm_x_m=plant.read("craft/arm-x-m"),
        arm_y_m=plant.read("craft/arm-y-m"),
        yaw_arm_m=plant.read("rotor/torque-nm-s2") / thrust_n_s2,
        full_thrust_n=thrust_n_s2 * plant.read("rotor/full-speed-rad-s") ** 2,
        full_speed_voltage_v=plant.read("rotor/full-speed-voltage-v"),
    )
