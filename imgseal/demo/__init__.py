"""The demo's invented product, firmware and spoiled artefacts."""
