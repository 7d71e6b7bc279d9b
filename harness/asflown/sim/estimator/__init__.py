"""The estimator of the built-in vehicle: strapdown integration at 400 Hz, Kalman corrections at 50 Hz."""
