"""What to look at and renew, and when."""
