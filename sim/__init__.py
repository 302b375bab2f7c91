"""A bench that isn't there: heat, light, seedlings, faults, behind the protocols of `drivers`."""
