"""MQTT in: decode, calibrate, store, then acknowledge."""
