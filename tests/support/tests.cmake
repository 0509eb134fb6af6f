# Removes the folders of tests that fail.
add_library(broom STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/broom.c)
target_include_directories(broom PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/support)
target_link_libraries(broom PUBLIC PkgConfig::CHECK)

# The whole daemon in one thread on the virtual clock, for tests that want the chain.
add_library(harness STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/harness.c
  ${CMAKE_CURRENT_SOURCE_DIR}/support/harness_record.c ${CMAKE_CURRENT_SOURCE_DIR}/support/kept_run.c)
target_link_libraries(harness PUBLIC broom)
target_include_directories(harness PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/support)
target_compile_definitions(harness PRIVATE SOURCE_DIR="${PROJECT_SOURCE_DIR}")
target_link_libraries(harness PUBLIC runtime vbench PkgConfig::CHECK)

# The harness and the client's replay.
add_library(replay_check STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/replay_check.c)
target_link_libraries(replay_check PUBLIC harness client)

# The programs beside each other over TCP on the loopback.
add_library(tcp_bench STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/tcp_bench.c)
target_include_directories(tcp_bench PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/support)
target_compile_definitions(tcp_bench PRIVATE SOURCE_DIR="${PROJECT_SOURCE_DIR}")
target_compile_definitions(tcp_bench PUBLIC
  SOAKBENCHD_PATH="$<TARGET_FILE:soakbenchd>" SOAKBENCH_PATH="$<TARGET_FILE:soakbench>"
  VIRTUAL_PATH="$<TARGET_FILE:soakbench-virtual>")
target_link_libraries(tcp_bench PUBLIC broom model PkgConfig::CHECK)
add_dependencies(tcp_bench soakbenchd soakbench soakbench-virtual)

# Pseudo terminals under the names of serial adapters, in a mount namespace; what they lack of a port is added to the
# test that links this, and to programs that have the module loaded in front of them.
add_library(tty_room STATIC ${CMAKE_CURRENT_SOURCE_DIR}/support/tty_room.c)
target_include_directories(tty_room PUBLIC ${CMAKE_CURRENT_SOURCE_DIR}/support)
target_link_libraries(tty_room PUBLIC model PkgConfig::CHECK)
add_library(tty_shim MODULE ${CMAKE_CURRENT_SOURCE_DIR}/support/tty_shim.c)

# Lets a program's computer seem to have slept.
add_library(sleep_shim MODULE ${CMAKE_CURRENT_SOURCE_DIR}/support/sleep_shim.c)
