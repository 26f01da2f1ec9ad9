"""The trust anchors of devices in the field: replaced and revoked under the apex trust anchor."""
