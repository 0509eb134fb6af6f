find_package(Python3 REQUIRED COMPONENTS Interpreter)
add_test(NAME layout_arrows COMMAND ${Python3_EXECUTABLE} ${CMAKE_CURRENT_SOURCE_DIR}/layout/arrows.py
  ${PROJECT_SOURCE_DIR} ${PROJECT_BINARY_DIR})
add_test(NAME layout_text COMMAND ${Python3_EXECUTABLE} ${CMAKE_CURRENT_SOURCE_DIR}/layout/text.py ${PROJECT_SOURCE_DIR})
