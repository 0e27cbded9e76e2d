"""The command line: ``verbs`` declares what there is, the modules beside it do it, ``output`` tells and writes it."""
