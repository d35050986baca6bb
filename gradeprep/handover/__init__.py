"""The decision in open forms that other tools read: ASC CDL, CLF, AMF, OTIO, EDL."""
