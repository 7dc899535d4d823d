"""What a computation gives: an estimate with its interval, a finding, propagation of uncertainty, sensor terms."""
