"""What touches the world: probes that are read and relays that are switched.

Two narrow protocols (`drivers.protocols`) with 1-Wire, GPIO and MQTT behind them. Nothing here knows
of crops, benches or decisions.
"""
