"""Present worth of what an action does and costs."""
