package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"os"
)

// desk serves a webhook that writes what it gets to the file posts: desk ADDRESS.
func desk(ctx context.Context, args []string) error {
	server := &http.Server{Addr: args[0], Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.Method == http.MethodGet {
			_, _ = io.WriteString(w, "desk\n")
			return
		}
		f, err := os.OpenFile("posts", os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
		if err == nil {
			_, err = io.Copy(f, r.Body)
			err = errors.Join(err, f.Close())
		}
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
		}
	})}
	stop := context.AfterFunc(ctx, func() { _ = server.Close() })
	defer stop()
	if err := server.ListenAndServe(); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return nil
}
