"""Pictures that somebody sent, painted anew in a child process under limits: pure, like the methods."""
