"""Pieces that several views share: the live pulse, the display choices, the answer buttons, the log form."""
