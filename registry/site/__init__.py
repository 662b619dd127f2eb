"""The composition root: settings, addresses and commands that need both apps. Only this room knows both."""
