"""The bench in a browser: pages over the workbench. They ask, and show what is answered; they compute nothing."""
