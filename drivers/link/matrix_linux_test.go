package link_test

import (
	"io"
	"sync"
	"testing"

	"github.com/creack/pty"
)

func init() {
	matrixLinks = append(matrixLinks, matrixLink{name: "serial", start: overPTY, stays: true})
}

// overPTY serves a line that is there whether somebody has opened it or not.
func overPTY(t testing.TB, serve func(io.ReadWriteCloser)) string {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() { serve(far) })
	t.Cleanup(func() {
		far.Close()
		near.Close()
		serving.Wait()
	})
	return "serial://" + near.Name() + "?baud=115200"
}
