"""The MAVLink transport: wire format, endpoints, the hub that fans one vehicle out, the emulated radio."""
