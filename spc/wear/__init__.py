"""A lap's cycle: clocks, wear, time to limit, reconditioning age."""
