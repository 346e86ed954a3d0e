package brokertest

import (
	"testing"

	"gillkeeper/testdata/testend"
)

func TestMain(m *testing.M) { testend.Main(m) }
