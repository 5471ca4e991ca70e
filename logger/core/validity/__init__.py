"""What is in force when: versions of the setup, hours of use, leniency."""
