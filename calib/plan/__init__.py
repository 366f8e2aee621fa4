"""What to print next, and how to make it fit the printer."""
