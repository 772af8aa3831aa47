package main

import (
	"fmt"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

// version is set at release with -ldflags "-X main.version=1.2.3".
var version string

// programVersion names the release, or else the commit that was built.
func programVersion() string {
	if version != "" {
		return version
	}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	revision, dirty := "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision" && len(s.Value) >= 12:
			revision = s.Value[:12]
		case s.Key == "vcs.modified" && s.Value == "true":
			dirty = "+changes"
		}
	}
	if revision == "" {
		return "unreleased"
	}
	return "unreleased " + revision + dirty
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Say which version this is",
		Example: "  halfturn version",
		Args:    exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "halfturn %s (%s, %s/%s)\n", programVersion(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
			return err
		},
	}
}
