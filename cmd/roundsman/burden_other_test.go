//go:build !linux

package main

// beAProcess is for BenchmarkBurden, which reads /proc.
func beAProcess() {}
