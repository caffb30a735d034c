"""The parts of the page on which a fault is traced."""
