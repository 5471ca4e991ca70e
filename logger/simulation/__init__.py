"""A physical model of one room with probes behind real lines; feeds the demo and the tests."""
