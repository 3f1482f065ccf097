"""The web process: pages, the live socket and the read-only API; draws what arrives, computes nothing."""
