"""What to look at, what to renew at an age, what to leave until it fails; when, and what that saves."""
