"""A p value as sentences say it: no smaller than what its approximation carries."""

__all__ = ["p_words"]

_LEAST = 1e-4  # below it an approximate p value is right in its order at best; our own rule


def p_words(p: float) -> str:
    """Say a p value: 'p = 0.0015', or 'p under 0.0001'."""
    return f"p = {p:.2g}" if p >= _LEAST else "p under 0.0001"
