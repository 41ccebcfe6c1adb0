"""What she keeps beside her hymns: her corrections, in files she can read and edit."""
