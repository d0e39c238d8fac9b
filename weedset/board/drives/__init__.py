"""One map across the frames of a drive, so that no plant is treated or counted twice."""
