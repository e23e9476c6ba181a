"""The best of one measure over limits on another, exact: one curve, the best of several, the choices they stand at."""
