package tcpout

import (
	"testing"

	"go.uber.org/goleak"

	"weighpost/sinks/sinktest/toxic"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m, toxic.Left()...) }
