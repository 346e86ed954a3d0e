package policy_test

import (
	"testing"

	"gillkeeper/testend"
)

func TestMain(m *testing.M) { testend.Main(m) }
