"""As an interpreter would look: common-midpoint sort, moveout and stack."""
