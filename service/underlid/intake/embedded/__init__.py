"""What the embedded broker adds to its router: MQTT 3.1.1 and 5 at the door, rights, sessions, bounds."""
