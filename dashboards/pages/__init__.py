"""What each page says, worked out from its context; the templates only set it."""
