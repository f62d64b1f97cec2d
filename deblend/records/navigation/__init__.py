"""Navigation files: IOGP P1/11, UKOOA P1/90 and SPS revision 2.1, joined to the shots."""
