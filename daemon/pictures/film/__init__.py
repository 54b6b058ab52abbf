"""Films and smoothed stills from a series of frames."""
