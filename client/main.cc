#include "client/cli.h"

int main(int argc, char** argv) { return selvage::client::RunCommandLine(argc, argv); }
