"""The machine that carries a manifest's commands out on a simulated device."""
