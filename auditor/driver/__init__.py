"""The high-frequency driver: its coil as a thermal network, and the powers its ratings allow."""
