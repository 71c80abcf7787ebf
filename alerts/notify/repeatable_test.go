package notify

import _ "ringwarden/testdata/repeatable" // the same property tests in every run
