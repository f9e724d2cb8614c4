"""The joint least-squares solve of camera, sheet and mirrors, with its covariance."""
