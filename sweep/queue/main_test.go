package queue_test

import (
	"testing"

	"halfturn/internal/testbench"
)

func TestMain(m *testing.M) { testbench.Main(m) }
