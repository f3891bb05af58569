"""Images without identity: an allow-list of header elements, a secret key, and a human look at the pixels."""
