"""What the years to come cost."""
