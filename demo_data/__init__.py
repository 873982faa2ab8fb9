"""An invented, seeded lapping cell whose logs exercise every promise of the tool."""
