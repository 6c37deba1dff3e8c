"""What the front door hangs on: how a command ends, what it prints, its arguments. No room imports it."""
