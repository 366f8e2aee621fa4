"""The pages of the desk: each module answers a few addresses, and calls the workshop."""
