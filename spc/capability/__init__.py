"""An index with its interval, or a refusal with its reason."""
