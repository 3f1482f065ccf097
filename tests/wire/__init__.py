"""What leaves this machine, and what is written to equipment, watched at the socket."""
