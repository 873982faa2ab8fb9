"""Pieces that several views share: the live pulse, the sidebar, the answer buttons, the log form."""
