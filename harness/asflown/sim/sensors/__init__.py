"""The sensors of the built-in vehicle: what the estimator gets to know of the plant."""
