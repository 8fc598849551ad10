"""Every page in a real browser: nothing asked from elsewhere, no error, no overflow, readable, printable, by keyboard.

`axe.min.js` is axe-core 4.14.1 (Deque Systems, Mozilla Public License 2.0), as published on the npm registry.
"""
