"""Pure figure builders: a result in, a plotly figure out. No streamlit here."""
