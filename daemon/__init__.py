"""What decides and remembers: configuration, control, interlocks, alarms, journal, MQTT, CLI."""
