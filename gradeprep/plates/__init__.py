"""Plates on disk: sequences of frames and the codecs that read and write them."""
