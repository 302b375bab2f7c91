"""JSON Schemas of what goes over MQTT, one file a payload; `python -m daemon.schemas` writes them."""
