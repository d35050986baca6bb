"""Ten thousand tiny frames, here and elsewhere: what running costs beside the frames themselves."""
