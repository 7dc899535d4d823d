"""One channel as arrays: samples, intervals, gaps, integrals of the sampled curve, decimation. No files."""
