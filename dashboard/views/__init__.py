"""The pages of the dashboard, one module each."""
