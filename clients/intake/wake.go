package intake

import (
	"github.com/fsnotify/fsnotify"
)

// watchFolder returns a channel that receives when something may have happened in the folder, and a function that ends
// that. Where the system tells nothing, as of shares on other computers, the channel stays empty: polling finds everything.
func watchFolder(dir string, off bool) (wake <-chan struct{}, stop func()) {
	if off {
		return nil, func() {}
	}
	watcher, err := fsnotify.NewWatcher()
	if err != nil {
		return nil, func() {}
	}
	if err := watcher.Add(dir); err != nil {
		_ = watcher.Close()
		return nil, func() {}
	}
	signal := make(chan struct{}, 1)
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case _, ok := <-watcher.Events:
				if !ok {
					return
				}
			case _, ok := <-watcher.Errors: // events were lost: read the folder all the same
				if !ok {
					return
				}
			}
			select {
			case signal <- struct{}{}:
			default:
			}
		}
	}()
	return signal, func() {
		_ = watcher.Close()
		<-done
	}
}
