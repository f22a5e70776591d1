"""MQTT on the wire, at protocol levels 4 and 5: packets to bytes and back, for the broker and the intake."""
