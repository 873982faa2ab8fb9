"""Control charts that say how often they cry wolf."""
