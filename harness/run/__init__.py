"""Running a sequence: engine, sampling, safety."""
