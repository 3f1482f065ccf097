"""A simulated plant: physics and controls of its own, an independent witness for everything else."""
