"""The built-in vehicle: physics, sensors, estimator, controller and its MAVLink side."""
