"""The computations of expected values as a page: what a sound wire, sensor or battery should show."""
