"""The three screens of a lapping cell, drawn with Streamlit."""
