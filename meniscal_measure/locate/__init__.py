"""Proposing the slice and the landmarks from the pixels, with how sure the proposal is."""
