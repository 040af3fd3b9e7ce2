"""From files of records to accepted rows in the store and refused rows in a list."""
