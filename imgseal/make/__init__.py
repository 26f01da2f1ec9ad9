"""The maker: places, seals and packs."""
