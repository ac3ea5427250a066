"""Where captures come from: a scope through its driver, or a recorded file."""
