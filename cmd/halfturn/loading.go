package main

import (
	"io"
	"os"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"
)

// Below this a file is read before anybody wonders.
const loadingFrom = 64 << 20

// loading shows on a terminal how far a large file is read; ended takes the bar
// away. What is read is read through at.
func loading(out io.Writer, file *os.File, size int64) (at io.ReaderAt, ended func()) {
	f, ok := out.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || size < loadingFrom {
		return file, func() {}
	}
	pool := mpb.New(mpb.WithOutput(out), mpb.WithWidth(72))
	bar := pool.New(size, barStyle(), mpb.BarRemoveOnComplete(),
		mpb.PrependDecorators(decor.Name("reading "), decor.CountersKibiByte("% .1f of % .1f ")))
	return gauged{file, bar}, func() {
		bar.Abort(true)
		pool.Wait()
	}
}

// gauged moves a bar as a file is read.
type gauged struct {
	io.ReaderAt
	bar *mpb.Bar
}

func (w gauged) ReadAt(p []byte, offset int64) (int, error) {
	n, err := w.ReaderAt.ReadAt(p, offset)
	w.bar.SetCurrent(offset + int64(n))
	return n, err
}
