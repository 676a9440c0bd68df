"""What people see: one module and one template per screen, over the same actions as the API."""
