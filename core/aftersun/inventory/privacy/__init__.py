"""What is held on a customer, erased, or exported without names."""
