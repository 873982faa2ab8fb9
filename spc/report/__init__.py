"""One content model, many printed forms."""
