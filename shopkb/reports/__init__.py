"""What people see first, and the figures of the shop: stands above jobs, procedures and evidence."""
